"""Two boards at full rate under the run screen: ports, decoders and screen as in a real run, senders in processes.

A sender either waits for room, or, as a serial line would, loses what finds none. It tells how many frames it sent
whole, and how many bytes were lost.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import threading
import time
import tty
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import stories

from benchctl import events as ev
from benchctl.analysis.loss import clopper_pearson
from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort
from benchctl.session.exchange import Exchange
from benchctl.terms import Limit, Reading, Source, Verdict
from benchctl.tui.app import BenchApp
from benchctl.tui.screens.run import RunScreen
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode

RATE = 200_000  # bytes a second; a line of 2 Mbaud is full then
_ROWS = 7  # rows in a record event, as the firmware packs them
_TICK_S = 0.002  # a sender's step; USB serial chips deliver about as often
_STEP_S = 0.1  # a stage looks at its records so often

_SENDER = """
import json, os, sys, time
rate, tick, loses = int(sys.argv[1]), float(sys.argv[2]), sys.argv[3] == "loses"
data = sys.stdin.buffer.read()
os.set_blocking(1, not loses)
began, at, lost, latest = time.monotonic(), 0, 0, 0.0
while at < len(data):
    due = min(len(data), int((time.monotonic() - began) * rate))
    while at < due:
        try:
            at += os.write(1, data[at:due])
        except BlockingIOError:
            lost += due - at
            at = due
    time.sleep(tick)
sys.stderr.write(json.dumps({"lost": lost}))
"""


def wire_bytes(seconds: float) -> tuple[bytes, int]:
    """Numbered record events for that long, and how many."""
    out, size, number = [], 0, 0
    while size < RATE * seconds:
        rows = [(number * _ROWS + i & 0xFFFF, 1000 * i, 1000 * i + 260, 1000 * i + 600, 16) for i in range(_ROWS)]
        out.append(frame(encode("link_sent", number & 0xFFFF, {"test": 1}, rows)))
        size += len(out[-1])
        number += 1
    return b"".join(out), number


@dataclass
class Carried:
    """frames: sent by both boards together. good: decoded. lost: frames, events and bytes missing. shown: refreshes."""

    frames: int
    good: int
    lost: int
    shown: int
    core_percent: float


class StreamLink(stories.Replay):
    """A run whose thread reads two ports, decodes, and tells the screen what a link stage would."""

    def __init__(self, names: list[str], size: int) -> None:
        super().__init__()
        self._clock = WallClock()
        self._ports = [SerialPort.open(name, wake=self._clock.wake) for name in names]
        self._size = size
        self.exchanges = [Exchange() for _ in names]
        self.counts = [0] * len(names)
        self._reader = threading.Thread(target=self._carry, daemon=True)

    def start(self) -> None:
        self.feed(stories.in_link())
        self._reader.start()

    def _carry(self) -> None:
        told, rows = time.monotonic(), 0
        while min(self.counts) < self._size and self._clock.wait_input(self._clock.now() + 2.0):
            for i, port in enumerate(self._ports):
                got = port.read_nowait()
                self.counts[i] += len(got)
                self.exchanges[i].feed(got)
                rows += sum(len(e.rows) for e in self.exchanges[i].take_events())
            if time.monotonic() - told >= _STEP_S:
                told = time.monotonic()
                self._tell_screen(rows)

    def _tell_screen(self, rows: int) -> None:
        part = sum(self.counts) / (len(self.counts) * self._size)
        loss = Reading("hand_to_craft.loss", 0.0, "%", rows, clopper_pearson(0, max(1, rows)).scaled(100),
                       Source.COUNTING).judged(Limit(max=1.0), Verdict.PASS)  # fmt: skip
        t = 12.0 + self._clock.now()
        self.feed([ev.Progress(t, "link", part, 1.0, f"{rows} packets"), ev.ReadingTaken(t, "link", loss, False)])

    def finish(self) -> None:
        self._reader.join(30)
        for port in self._ports:
            port.close()


def carry(seconds: float, *, loses: bool) -> Carried:
    """Both streams for so long beside the screen at 120×40 and its own refresh."""
    data, frames = wire_bytes(seconds)
    with ExitStack() as stack:
        pairs = [os.openpty() for _ in range(2)]
        names = []
        for ours, theirs in pairs:
            tty.setraw(theirs)
            names.append(os.ttyname(theirs))
            os.close(theirs)
            stack.callback(os.close, ours)
        link = StreamLink(names, len(data))
        command = [sys.executable, "-c", _SENDER, str(RATE), str(_TICK_S), "loses" if loses else "waits"]
        senders = [
            subprocess.Popen(command, stdin=subprocess.PIPE, stdout=ours, stderr=subprocess.PIPE) for ours, _ in pairs
        ]
        shown, core = asyncio.run(_beside_the_screen(link, senders, data))
        link.finish()
        told = sum(_lost_by(sender) for sender in senders)
    good = sum(e.frames.good for e in link.exchanges)
    missing = 2 * len(data) - sum(link.counts)
    lost = max(told, missing) + 2 * frames - good + sum(e.counts.lost_events for e in link.exchanges)
    return Carried(2 * frames, good, lost, shown, core)


def _lost_by(sender: subprocess.Popen[bytes]) -> int:
    assert sender.stderr is not None
    with sender.stderr:
        found: int = json.loads(sender.stderr.read())["lost"]
    sender.wait()
    return found


async def _beside_the_screen(
    link: StreamLink, senders: list[subprocess.Popen[bytes]], data: bytes
) -> tuple[int, float]:
    app = BenchApp(root=Path("/nowhere/runs"), look=list)
    shown = 0
    async with app.run_test(size=(120, 40)) as pilot:
        app.link = link
        screen = RunScreen(link)
        whole = screen._show

        def count() -> None:
            nonlocal shown
            shown += 1
            whole()

        screen._show = count  # type: ignore[method-assign]
        app.push_screen(screen)
        await pilot.pause(0.3)
        for sender in senders:
            assert sender.stdin is not None
            sender.stdin.write(data)
            sender.stdin.close()
        cpu, began = time.process_time(), time.perf_counter()
        while link._reader.is_alive():
            await asyncio.sleep(0.05)
        core = 100 * (time.process_time() - cpu) / (time.perf_counter() - began)
        await pilot.pause()
        assert "packets" in stories.picture(app)
    return shown, core
