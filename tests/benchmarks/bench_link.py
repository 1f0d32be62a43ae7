"""Packets a second of the real firmware's link test, in bench time, against what the transceiver allows.

`bench_link.py [--quick] [--json]`: the shipped probe on the avr bench sends 8 bytes with acknowledgement as fast as it
goes; every packet is time-stamped on both boards and logged to the host. The floor is upload, settling, packet,
settling, acknowledgement, interrupt and clearing, one by one (`analysis.timing`): 893, 2 044 and 2 618 packets/s.
"""

from __future__ import annotations

import json
import statistics
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches
from benchctl.analysis.timing import IDEAL, IRQ_US, RadioFormat
from benchctl.terms import Role
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode

QUICK = "--quick" in sys.argv
PACKETS, REPEATS = (500, 2) if QUICK else (2000, 5)
RATES = ((250_000, 0), (1_000_000, 1), (2_000_000, 2))
PAYLOAD = 8


def run(bench: Any, code: int) -> tuple[float, int]:
    """(packets a second between the first and the last one sent, records that are missing on either side)."""
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.write_setting("radio_rate", code)
        board.ask(msg.RadioApply(), timeout=1.0)
        board.forget_events()
    common = {"test": 1, "interval_us": 0, "payload": PAYLOAD}
    craft.ask(msg.LinkStart(mode=LinkMode.RECEIVE, count=0, **common))
    hand.ask(msg.LinkStart(mode=LinkMode.SEND_ACK, count=PACKETS, **common))
    sent: list[msg.LinkSentRow[int]] = []
    received = 0
    while not hand.is_done(msg.LinkStart):
        bench.wait(0.05)
        sent += [row for e in hand.events(msg.LinkSent) for row in e.rows]
        received += sum(e.row_count for e in craft.events(msg.LinkReceived))
    hand.ask(msg.LinkStop(), timeout=1.0)
    craft.ask(msg.LinkStop(), timeout=1.0)
    bench.wait(0.05)
    sent += [row for e in hand.events(msg.LinkSent) for row in e.rows]
    received += sum(e.row_count for e in craft.events(msg.LinkReceived))
    ticks = (sent[-1].queued - sent[0].queued) & 0xFFFFFFFF
    return (len(sent) - 1) / (ticks * TICK_US * 1e-6), 2 * PACKETS - len(sent) - received


def floor(radio: RadioFormat) -> float:
    """Most acknowledged packets a second one by one: upload, exchange, the interrupt seen and cleared."""
    return 1e6 / (IDEAL.spi_us(radio.payload) + radio.exchange_us + IRQ_US[radio.rate] + IDEAL.spi_us(1))


def main() -> None:
    bench = benches.open_bench("avr")
    try:
        for board in bench.boards.values():
            board.open()
        found = {rate: [run(bench, code) for _ in range(REPEATS)] for rate, code in RATES}
    finally:
        bench.close()
    rows: dict[str, dict[str, float]] = {}
    for rate, runs in found.items():
        ceiling = floor(RadioFormat(rate, PAYLOAD))
        shares = [per_s / ceiling for per_s, _ in runs]
        rows[str(rate)] = {
            "floor_per_s": round(ceiling, 1),
            "per_s": round(statistics.median(p for p, _ in runs), 1),
            "share": round(statistics.median(shares), 3),
            "low": round(min(shares), 3),
            "high": round(max(shares), 3),
            "unlogged": sum(lost for _, lost in runs),
        }
    if "--json" in sys.argv:
        print(json.dumps(rows))
        return
    for rate, r in rows.items():
        print(
            f"{rate} bit/s: {r['per_s']} of {r['floor_per_s']} packets/s, {r['share']} ({r['low']} to {r['high']}), "
            f"{r['unlogged']} records missing; goal 0.9"
        )


if __name__ == "__main__":
    main()
