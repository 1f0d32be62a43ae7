"""Reading and decoding two ports at once: nothing lost, and what it costs: `bench_ports.py [--quick] [--json]`.

Two pseudo-terminals carry frames at 200 kB/s each from another process for some seconds. Given are the frames, events
and bytes lost, the processor time of reading, and of reading and decoding, in percent of a core, and its ratio to a
ceiling of the same run: the same bytes, already in memory, through the same decoder.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
import tty
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort
from benchctl.session.exchange import Exchange
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode

QUICK = "--quick" in sys.argv
SECONDS, ROUNDS = (1.0, 2) if QUICK else (5.0, 5)
RATE = 200_000  # bytes a second on each port; a 2 Mbaud line is full then
ROWS = 7  # rows in a record event, as the firmware packs them
TICK_S = 0.002  # a sender's step; USB serial chips deliver about as often

#: writes the bytes of its standard input to descriptor 1 at a steady rate, as a line would carry them
SENDER = """
import os, sys, time
rate, tick = int(sys.argv[1]), float(sys.argv[2])
data, began, at = sys.stdin.buffer.read(), time.monotonic(), 0
while at < len(data):
    due = min(len(data), int((time.monotonic() - began) * rate))
    while at < due:
        at += os.write(1, data[at:due])
    time.sleep(tick)
"""


def wire_bytes(seconds: float) -> tuple[bytes, int]:
    """Numbered record events for that long, and how many."""
    out, size, number = [], 0, 0
    while size < RATE * seconds:
        rows = [(number * ROWS + i & 0xFFFF, 1000 * i, 1000 * i + 260, 1000 * i + 600, 16) for i in range(ROWS)]
        out.append(frame(encode("link_sent", number & 0xFFFF, {"test": 1}, rows)))
        size += len(out[-1])
        number += 1
    return b"".join(out), number


def carry(data: bytes, decode: bool) -> tuple[float, float, list[Exchange], list[int]]:
    """Both ports for as long as the senders send: processor seconds, wall seconds, decoders, bytes by port."""
    clock = WallClock()
    with ExitStack() as stack:
        ports, senders = [], []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            name = os.ttyname(slave)
            os.close(slave)
            stack.callback(os.close, master)
            ports.append(SerialPort.open(name, wake=clock.wake))
            stack.callback(ports[-1].close)
            command = [sys.executable, "-c", SENDER, str(RATE), str(TICK_S)]
            senders.append(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=master))
        exchanges = [Exchange(), Exchange()]
        counts = [0, 0]
        for sender in senders:
            assert sender.stdin is not None
            sender.stdin.write(data)
            sender.stdin.close()
        began, cpu = time.perf_counter(), time.process_time()
        while min(counts) < len(data) and clock.wait_input(clock.now() + 2.0):
            for i, port in enumerate(ports):
                got = port.read_nowait()
                counts[i] += len(got)
                if decode and got:
                    exchanges[i].feed(got)
                    exchanges[i].take_events()
        spent = time.process_time() - cpu, time.perf_counter() - began
        for sender in senders:
            sender.wait()
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
    read, both, floor, lost = [], [], [], 0
    for _ in range(ROUNDS):
        cpu, wall, _, counts = carry(data, decode=False)
        read.append(100 * cpu / wall)
        cpu, wall, exchanges, counts = carry(data, decode=True)
        both.append(100 * cpu / wall)
        floor.append(100 * in_memory(data) / wall)
        lost += sum(frames - e.frames.good for e in exchanges) + sum(e.counts.lost_events for e in exchanges)
        lost += sum(len(data) - n for n in counts)
    ratios = [b / f for b, f in zip(both, floor, strict=True)]
    figures = {"reading": read, "reading_and_decoding": both, "decoding_alone": floor, "ratio": ratios}
    if "--json" in sys.argv:
        print(json.dumps({"lost": lost, **{k: [statistics.median(v), min(v), max(v)] for k, v in figures.items()}}))
        return int(lost > 0)
    print(f"2 ports, {RATE / 1000:g} kB/s each, {SECONDS:g} s, {ROUNDS} rounds of {2 * frames} frames; lost: {lost}")
    for name, values in figures.items():
        unit = "x decoding alone" if name == "ratio" else "% of a core"
        print(f"{name:<22}{statistics.median(values):6.2f} {unit} ({min(values):.2f} to {max(values):.2f})")
    return int(lost > 0)


if __name__ == "__main__":
    sys.exit(main())
