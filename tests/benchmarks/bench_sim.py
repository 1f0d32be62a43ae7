"""How fast the simulated bench is, beside what its parts allow. Run as a script; one JSON line.

`python tests/benchmarks/bench_sim.py [packets]`. Rates are per second of wall time, host decoding included; "ratio" is
virtual over wall time. Compare figures of one run only: machines have slow and fast phases.
"""

from __future__ import annotations

import heapq
import json
import random
import sys
import time

from benchctl import benchfile
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver
from benchctl.parts.nrf24_registers import Reg
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
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
    at, began = 0.3, time.perf_counter()
    for _ in range(packets):
        at = one.transact(b"12345678", at).done_time + 3e-4
    return packets / (time.perf_counter() - began)


def heap_rate(entries: int) -> float:
    """Entries a second of a bare event queue: what this machine can do just now."""
    heap = [(float(n), n) for n in range(64)]
    began = time.perf_counter()
    for n in range(entries):
        when, _ = heapq.heappop(heap)
        heapq.heappush(heap, (when + 64.0, n))
    return entries / (time.perf_counter() - began)


def link_rate(mode: LinkMode, other: LinkMode, interval_us: int, packets: int) -> tuple[float, float]:
    """(packets a second, virtual over wall time) of one link test from start to the last record decoded."""
    bench = SimBench(benchfile.load("sim"))
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.open()
        board.forget_events()
    common = {"test": 1, "interval_us": interval_us, "payload": 8}
    craft.ask("link_start", mode=other, count=0, **common)
    start, began = bench.now(), time.perf_counter()
    hand.ask("link_start", mode=mode, count=packets, **common)
    rows = 0
    while not hand.is_done("link_start"):
        bench.wait(0.1)
        rows += sum(len(e.rows) for kind in ("link_sent", "link_pinged") for e in hand.events(kind))
        rows += sum(len(e.rows) for e in craft.events("link_received"))
    wall, virtual = time.perf_counter() - began, bench.now() - start
    bench.close()
    if rows < 1.9 * packets:
        raise SystemExit(f"only {rows} records of {packets} packets came")
    return packets / wall, virtual / wall


def main() -> None:
    packets = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    out: dict[str, object] = {"heap entries/s": round(heap_rate(500_000)), "transact/s": round(transact_rate(packets))}
    for name, mode, other, interval in RUNS:
        rate, ratio = link_rate(mode, other, interval, packets if not interval else packets // 4)
        out[name] = {"packets/s": round(rate), "ratio": round(ratio, 1)}
    print(json.dumps(out))


if __name__ == "__main__":
    main()
