"""How fast the simulated bench is, beside what its parts allow. Run as a script; one JSON line.

`python tests/benchmarks/bench_sim.py [--quick]`. Rates are per second of processor time, host decoding included, the
median of some runs with the lowest and highest; "ratio" is virtual over processor time; "of_parts" is the rate as a
share of what the transceiver model does alone in the same run. Machines have slow and fast phases: compare figures of
one run only.
"""

from __future__ import annotations

import heapq
import json
import random
import statistics
import sys
import time

from benchctl import benchfile
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver
from benchctl.parts.nrf24_registers import Reg
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode

RUNS = (
    ("acknowledged, full speed", LinkMode.SEND_ACK, LinkMode.RECEIVE, 0),
    ("single, full speed", LinkMode.SEND, LinkMode.RECEIVE, 0),
    ("pings, full speed", LinkMode.PING, LinkMode.ECHO, 0),
    ("acknowledged, every 2 ms", LinkMode.SEND_ACK, LinkMode.RECEIVE, 2000),
    ("pings, every 2 ms", LinkMode.PING, LinkMode.ECHO, 2000),
)


def transact_rate(packets: int) -> float:
    """Acknowledged sends a second of the transceiver model alone."""
    agenda, air = Agenda(), Air(random.Random(1))
    one, other = (Transceiver(agenda, air, random.Random(n), name=str(n)) for n in (2, 3))
    agenda.run_to(0.1)
    for radio, config in ((one, 0x0E), (other, 0x0F)):
        for register, value in ((Reg.CONFIG, config), (Reg.FEATURE, 5), (Reg.DYNPD, 1)):
            radio.exchange(bytes((0x20 | register, value)), agenda.now)
    agenda.run_to(0.2)
    other.set_ce(1, agenda.now)
    agenda.run_to(0.3)
    at, began = 0.3, time.process_time()
    for _ in range(packets):
        at = one.transact(b"12345678", at).done_time + 3e-4
    return packets / (time.process_time() - began)


def heap_rate(entries: int) -> float:
    """Entries a second of a bare event queue: what this machine can do just now."""
    heap = [(float(n), n) for n in range(64)]
    began = time.process_time()
    for n in range(entries):
        when, _ = heapq.heappop(heap)
        heapq.heappush(heap, (when + 64.0, n))
    return entries / (time.process_time() - began)


def link_rate(mode: LinkMode, other: LinkMode, interval_us: int, packets: int) -> tuple[float, float]:
    """(packets a second, virtual over processor time) of one link test from start to the last record decoded."""
    bench = SimBench(benchfile.load("sim"))
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.open()
        board.forget_events()
    common = {"test": 1, "interval_us": interval_us, "payload": 8}
    craft.ask(msg.LinkStart(mode=other, count=0, **common))
    start, began = bench.now(), time.process_time()
    hand.ask(msg.LinkStart(mode=mode, count=packets, **common))
    rows = 0
    while not hand.is_done(msg.LinkStart):
        bench.wait(0.1)
        rows += sum(e.row_count for kind in (msg.LinkSent, msg.LinkPinged) for e in hand.events(kind))
        rows += sum(e.row_count for e in craft.events(msg.LinkReceived))
    spent, virtual = time.process_time() - began, bench.now() - start
    bench.close()
    if rows < 1.9 * packets:
        raise SystemExit(f"only {rows} records of {packets} packets came")
    return packets / spent, virtual / spent


def main() -> None:
    packets, repeats = (5_000, 3) if "--quick" in sys.argv else (20_000, 7)
    alone = [(heap_rate(500_000), transact_rate(packets)) for _ in range(repeats)]
    heap, parts = (statistics.median(column) for column in zip(*alone, strict=True))
    out: dict[str, object] = {"heap entries/s": round(heap), "transact/s": round(parts)}
    for name, mode, other, interval in RUNS:
        runs = [link_rate(mode, other, interval, packets if not interval else packets // 4) for _ in range(repeats)]
        rates, ratios = zip(*runs, strict=True)
        out[name] = {
            "packets/s": round(statistics.median(rates)),
            "low": round(min(rates)),
            "high": round(max(rates)),
            "ratio": round(statistics.median(ratios), 1),
            "of_parts": round(statistics.median(rates) / parts, 2),
        }
    print(json.dumps(out))


if __name__ == "__main__":
    main()
