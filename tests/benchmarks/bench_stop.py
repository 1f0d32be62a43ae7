"""From the stop key to the last byte of the stop, with one, two and three ports, one of them stuck: `bench_stop.py
[--quick] [--json] [--write]`.

Begins where the thread that reads the keyboard calls the run, and ends when the far end of each pseudo-terminal has
the last byte of the three copies; a stuck port is one whose far end reads nothing and which is full. In ms: median,
lowest and highest over the rounds, of the slowest port that takes bytes. On a real line 33 bytes take 0.7 ms more at
500 kBd. The machine's load is said: the figures count on a quiet one.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import statistics
import sys
import tempfile
import threading
import time
import tty
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import shipped
from benchctl.operate import Operation
from benchctl.ports.assign import Assigned
from benchctl.ports.bench import PortsBench
from benchctl.ports.discover import Found, State
from benchctl.ports.port import SerialPort
from benchctl.procedure.file import load
from benchctl.safety.stop import COPIES, QUIET_FRAME
from benchctl.terms import Role
from tests.campaigns import published

ROUNDS = 10 if "--quick" in sys.argv else 60
#: name, ports, whether the last of them is stuck
CASES = (("one", 1, False), ("two", 2, False), ("three", 3, False), ("two_stuck", 2, True), ("three_stuck", 3, True))


class Far:
    """The far end of a line: notes when the last byte of a stop came."""

    def __init__(self, stack: ExitStack) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        stack.callback(os.close, self.master)
        self.came = threading.Event()
        self.at = 0.0

    def read(self) -> None:
        seen = b""
        while select.select([self.master], [], [], 5.0)[0]:
            seen += os.read(self.master, 4096)
            if seen.count(QUIET_FRAME) >= COPIES:
                self.at = time.perf_counter()
                self.came.set()
                return


def fill(port: SerialPort) -> None:
    since = time.monotonic()
    while time.monotonic() < since + 0.1:
        if port.urgent(b"\0"):
            since = time.monotonic()
            while port.urgent(bytes(1000)):
                continue


def once(count: int, stuck: bool, root: Path) -> float:
    """Milliseconds from the key to the last byte of the slowest port that takes bytes."""
    with ExitStack() as stack:
        ends = [Far(stack) for _ in range(count)]
        roles = (Role.HAND, Role.CRAFT, Role.GAUGE)[:count]
        lines = [SerialPort.open(end.name) for end in ends]
        found = zip(roles, ends, lines, strict=True)
        bench = PortsBench(Assigned({role: Found(e.name, State.BOARD, e.name, line=line) for role, e, line in found}))
        stack.callback(bench.close)
        run = Operation(load(shipped.procedure("radio-link")), bench, root, reports=False)
        taking = ends[:-1] if stuck else ends
        if stuck:
            fill(lines[-1])
        readers = [threading.Thread(target=end.read) for end in taking]
        for reader in readers:
            reader.start()
        time.sleep(0.02)
        began = time.perf_counter()
        told = run.stop("key")
        for reader in readers:
            reader.join()
        assert all(end.came.is_set() for end in taking)
        assert len(told.missed) == stuck
        with contextlib.suppress(Exception):
            run.perform()
        return 1000 * (max(end.at for end in taking) - began)


def main() -> None:
    out, load = {}, os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as folder:
        for name, count, stuck in CASES:
            ms = [once(count, stuck, Path(folder)) for _ in range(ROUNDS)]
            out[name] = {"median": statistics.median(ms), "low": min(ms), "high": max(ms)}
    if "--json" in sys.argv:
        print(json.dumps(out))
        return
    said = f"{os.cpu_count()} processors, load {load:.1f} (1 min) before; {ROUNDS} rounds each"
    print(said)
    for name, found in out.items():
        print(f"{name:<12} median {found['median']:6.2f} ms, {found['low']:.2f} to {found['high']:.2f}")
    if "--write" in sys.argv:
        rows = [f"| {name.replace('_', ', one ')} | {f['median']:.2f} | {f['low']:.2f} to {f['high']:.2f} |" for name, f in out.items()]
        published.put(
            "stop", "From the stop key to the last byte of every port that takes bytes",
            ["`python tests/benchmarks/bench_stop.py --write`", "", f"{said}. Goal: at most 20 ms on a quiet machine.", "",
             "| ports | median, ms | lowest to highest, ms |", "| --- | --- | --- |", *rows],
        )  # fmt: skip


if __name__ == "__main__":
    main()
