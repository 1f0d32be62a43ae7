"""Speed of the avr bench as simulated over wall seconds: `bench_avr.py [--quick] [--json]`.

sleeping, polling, spi: two chips with small programs (tests/avr) and no parts. waiting: the shipped probe on the whole
modelled pair, nothing asked. link: the probe sends numbered packets to the other board, one each millisecond, every
one logged to the host; link_acknowledged: the same with acknowledgements. three_…: the same with a gauge beside the
pair. Goals on the usual two-core machine: link at least 2, waiting at least 10, with three boards half of that.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

from helpers_bench import GAUGE, mudlark  # noqa: E402

from benchctl import benchfile  # noqa: E402
from benchctl.avr.bench import AvrBench  # noqa: E402
from benchctl.avr.chip import Chip, Reset  # noqa: E402
from benchctl.avr.lockstep import Lockstep  # noqa: E402
from benchctl.parts.agenda import Agenda  # noqa: E402
from benchctl.terms import Role  # noqa: E402
from benchctl.wire import msg  # noqa: E402
from benchctl.wire.catalogue import LinkMode  # noqa: E402

QUICK = "--quick" in sys.argv
REPEATS = 3 if QUICK else 5
SPAN = 0.3 if QUICK else 1.0  # simulated seconds each
GOALS = {"link": 2.0, "waiting": 10.0, "three_link": 1.0, "three_waiting": 5.0}
PACKET_US = 1000


def compiled(name: str, folder: Path) -> Path:
    out = folder / f"{name}.elf"
    source = HERE.parent / "avr" / f"firmware_{name}.c"
    flags = ["-DF_CPU=16000000UL", "-Os", "-std=gnu11", "-mmcu=atmega328p"]
    subprocess.run(["avr-gcc", *flags, "-o", str(out), str(source)], check=True)
    return out


def ratio(run: Callable[[float], object]) -> tuple[float, float]:
    """Simulated over wall seconds, and over the processor's seconds, which other programs do not stretch."""
    wall, cpu = time.perf_counter(), time.process_time()
    run(SPAN)
    return SPAN / (time.perf_counter() - wall), SPAN / (time.process_time() - cpu)


def bare(image: Path) -> Callable[[], tuple[float, float]]:
    """Two chips with this program in step."""
    agenda = Agenda()
    chips = [Chip(image), Chip(image)]
    step = Lockstep(agenda, chips)
    for chip in chips:
        chip.connect_spi_bytes(lambda byte, time: byte ^ 0xFF)
        chip.release(Reset.POWER_ON)
    step.run_until(0.07)

    return lambda: ratio(lambda span: step.run_until(step.now + span))


def probe(gauge: bool = False) -> dict[str, Callable[[], tuple[float, float]]]:
    """The whole bench with the shipped image on the pair, and on a gauge."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "boards.toml"
        path.write_text('kind = "avr"\n' + mudlark("[board.hand]\n[board.craft]\n" + GAUGE * gauge), encoding="utf-8")
        bench = AvrBench(benchfile.load(str(path)))
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in bench.boards.values():
        board.open()
    for board in (hand, craft):
        board.ask(msg.RadioApply(), timeout=1.0)

    def traffic(mode: LinkMode) -> tuple[float, float]:
        common = {"test": 1, "interval_us": PACKET_US, "payload": 8}
        craft.ask(msg.LinkStart(mode=LinkMode.RECEIVE, count=0, **common))
        hand.ask(msg.LinkStart(mode=mode, count=0, **common))
        bench.wait(0.05)
        logs = ((hand, msg.LinkSent), (craft, msg.LinkReceived))
        for board, kind in logs:
            board.events(kind)
        got = ratio(bench.wait)
        rows = [sum(event.row_count for event in board.events(kind)) for board, kind in logs]
        hand.ask(msg.LinkStop(), timeout=1.0)
        craft.ask(msg.LinkStop(), timeout=1.0)
        assert min(rows) > 0.9 * SPAN * 1e6 / PACKET_US, f"only {rows} packets were logged"
        return got

    return {
        "waiting": lambda: ratio(bench.wait),
        "link": lambda: traffic(LinkMode.SEND),
        "link_acknowledged": lambda: traffic(LinkMode.SEND_ACK),
    }


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cases = {
            "sleeping": bare(compiled("echo", folder)),
            "polling": bare(compiled("ticks", folder)),
            "spi": bare(compiled("spi_busy", folder)),
            **probe(),
            **{f"three_{case}": once for case, once in probe(gauge=True).items()},
        }
        taken = {case: [once() for _ in range(REPEATS)] for case, once in cases.items()}
    rows = {case: row(case, runs) for case, runs in taken.items()}
    if "--json" in sys.argv:
        print(json.dumps(rows))
        return
    print(f"{'case':20} {'x wall':>9} {'x cpu':>9}   lo..hi of wall")
    for case, r in rows.items():
        goal = f"   goal {r['goal']:g}: {'met' if r['x_real'] >= r['goal'] else 'MISSED'}" if r["goal"] else ""
        print(f"{case:20} {r['x_real']:9.2f} {r['x_cpu']:9.2f}   {r['lo']}..{r['hi']}{goal}")


def row(case: str, runs: list[tuple[float, float]]) -> dict[str, float | None]:
    wall, cpu = [w for w, _ in runs], [c for _, c in runs]
    return {
        "x_real": round(statistics.median(wall), 2),
        "x_cpu": round(statistics.median(cpu), 2),
        "lo": round(min(wall), 2),
        "hi": round(max(wall), 2),
        "goal": GOALS.get(case),
    }


if __name__ == "__main__":
    main()
