"""Reading and decoding two ports at once: nothing lost, and what it costs: `bench_ports.py [--quick] [--json]`.

Two pseudo-terminals carry frames at 200 kB/s each from another process for some seconds. Given are the frames and
bytes lost, the processor time of reading, and of reading and decoding, in percent of a core, and its ratio to a
ceiling of the same run: the same bytes, already in memory, through the same decoder.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from contextlib import ExitStack
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_line import RATE, drain, full_lines, wire_bytes  # noqa: E402

from benchctl.ports.clock import WallClock  # noqa: E402
from benchctl.ports.port import SerialPort  # noqa: E402
from benchctl.session.exchange import Exchange  # noqa: E402

QUICK = "--quick" in sys.argv
SECONDS, ROUNDS = (1.0, 2) if QUICK else (5.0, 5)


def carry(data: bytes, decode: bool) -> tuple[float, float, list[Exchange], list[int]]:
    """Both ports for as long as the senders send: processor seconds, wall seconds, decoders, bytes by port."""
    clock = WallClock()
    exchanges, counts = [Exchange(), Exchange()], [0, 0]
    with full_lines(2, loses=False) as lines, ExitStack() as stack:
        ports = []
        for line in lines:
            ports.append(SerialPort.open(line.name, wake=clock.wake))
            stack.callback(ports[-1].close)

        def take() -> int:
            for i, port in enumerate(ports):
                got = port.read_nowait()
                counts[i] += len(got)
                if decode and got:
                    exchanges[i].feed(got)
                    exchanges[i].take_events()
            return sum(counts)

        for line in lines:
            line.start(data)
        began, cpu = time.perf_counter(), time.process_time()
        drain(lines, lambda seconds: clock.wait_input(clock.now() + seconds), take, 2 * len(data))
        spent = time.process_time() - cpu, time.perf_counter() - began
        for line in lines:
            line.sent()
    return *spent, exchanges, counts


def in_memory(data: bytes) -> float:
    """Processor seconds of decoding both ports' bytes in pieces of 512, without any port."""
    cpu = time.process_time()
    for _ in range(2):
        exchange = Exchange()
        for at in range(0, len(data), 512):
            exchange.feed(data[at : at + 512])
            exchange.take_events()
    return time.process_time() - cpu


def main() -> int:
    data, frames = wire_bytes(SECONDS)
    read, both, floor, lost_frames, lost_bytes = [], [], [], 0, 0
    for _ in range(ROUNDS):
        cpu, wall, _, counts = carry(data, decode=False)
        lost_bytes += sum(len(data) - n for n in counts)
        read.append(100 * cpu / wall)
        cpu, wall, exchanges, counts = carry(data, decode=True)
        lost_bytes += sum(len(data) - n for n in counts)
        both.append(100 * cpu / wall)
        floor.append(100 * in_memory(data) / wall)
        lost_frames += sum(frames - e.frames.good for e in exchanges)
    ratios = [b / f for b, f in zip(both, floor, strict=True)]
    figures = {"reading": read, "reading_and_decoding": both, "decoding_alone": floor, "ratio": ratios}
    lost = {"lost_frames": lost_frames, "lost_bytes": lost_bytes}
    if "--json" in sys.argv:
        print(json.dumps({**lost, **{k: [statistics.median(v), min(v), max(v)] for k, v in figures.items()}}))
        return int(any(lost.values()))
    print(f"2 ports, {RATE / 1000:g} kB/s each, {SECONDS:g} s, {ROUNDS} rounds of {2 * frames} frames; lost: {lost_frames} "
          f"frames, {lost_bytes} bytes")  # fmt: skip
    for name, values in figures.items():
        unit = "x decoding alone" if name == "ratio" else "% of a core"
        print(f"{name:<22}{statistics.median(values):6.2f} {unit} ({min(values):.2f} to {max(values):.2f})")
    return int(any(lost.values()))


if __name__ == "__main__":
    sys.exit(main())
