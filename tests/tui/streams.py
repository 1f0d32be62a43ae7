"""Two boards at full rate under the run screen: ports, decoders and screen as in a real run, senders in processes."""

from __future__ import annotations

import asyncio
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import stories
from helpers_line import FullLine, Sent, drain, full_lines, wire_bytes

from benchctl import events as ev
from benchctl.analysis.loss import clopper_pearson
from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort
from benchctl.session.exchange import Exchange
from benchctl.terms import Limit, Reading, Source, Verdict
from benchctl.tui.app import BenchApp
from benchctl.tui.screens.run import RunScreen

_STEP_S = 0.1  # a stage looks at its records so often


@dataclass(frozen=True)
class Carried:
    """frames: sent by both boards together. good: decoded. lost_events: by their running numbers. lost_bytes: that found
    no room, or never came. shown: refreshes. share: of the full rate that the slower sender kept."""

    frames: int
    good: int
    lost_events: int
    lost_bytes: int
    shown: int
    core_percent: float
    share: float


class StreamLink(stories.Replay):
    """A run whose thread reads two ports, decodes, and tells the screen what a link stage would."""

    def __init__(self, lines: list[FullLine], data: bytes) -> None:
        super().__init__()
        self._clock = WallClock()
        self._lines, self._data = lines, data
        self._ports = [SerialPort.open(line.name, wake=self._clock.wake) for line in lines]
        self.exchanges = [Exchange() for _ in lines]
        self.count = 0
        self._rows, self._told = 0, 0.0
        self._reader = threading.Thread(target=self._carry, daemon=True)

    @property
    def size(self) -> int:
        return len(self._lines) * len(self._data)

    @property
    def reading(self) -> bool:
        return self._reader.is_alive()

    def start(self) -> None:
        self.feed(stories.in_link())

    def send(self) -> None:
        """Both boards begin."""
        self._reader.start()
        for line in self._lines:
            line.start(self._data)

    def _carry(self) -> None:
        drain(self._lines, lambda seconds: self._clock.wait_input(self._clock.now() + seconds), self._take, self.size)

    def _take(self) -> int:
        for exchange, port in zip(self.exchanges, self._ports, strict=True):
            got = port.read_nowait()
            self.count += len(got)
            exchange.feed(got)
            self._rows += sum(e.row_count for e in exchange.take_events())
        if self._clock.now() - self._told >= _STEP_S:
            self._told = self._clock.now()
            self._tell_screen(self._rows)
        return self.count

    def _tell_screen(self, rows: int) -> None:
        part = self.count / self.size
        loss = Reading("hand_to_craft.loss", 0.0, "%", rows, clopper_pearson(0, max(1, rows)).scaled(100),
                       Source.COUNTING).judged(Limit(max=1.0), Verdict.PASS)  # fmt: skip
        t = 12.0 + self._clock.now()
        self.feed([ev.Progress(t, "link", part, 1.0, f"{rows} packets"), ev.ReadingTaken(t, "link", loss, False)])

    def close(self) -> None:
        self._reader.join()
        for port in self._ports:
            port.close()


def carry(seconds: float, *, loses: bool) -> Carried:
    """Both streams for so long beside the screen at 120×40 and its own refresh. loses: see `full_lines`."""
    data, frames = wire_bytes(seconds)
    with full_lines(2, loses=loses) as lines:
        link = StreamLink(lines, data)
        shown, core = asyncio.run(_beside_the_screen(link))
        link.close()
        sent: list[Sent] = [line.sent() for line in lines]
    return Carried(
        frames=2 * frames,
        good=sum(e.frames.good for e in link.exchanges),
        lost_events=sum(e.counts.lost_events for e in link.exchanges),
        lost_bytes=max(sum(s.lost for s in sent), link.size - link.count),
        shown=shown,
        core_percent=core,
        share=min(s.share for s in sent),
    )


async def _beside_the_screen(link: StreamLink) -> tuple[int, float]:
    """Refreshes of the screen until everything has come, and percent of a core."""
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
        cpu, began = time.process_time(), time.perf_counter()
        link.send()
        while link.reading:
            await asyncio.sleep(0.05)
        core = 100 * (time.process_time() - cpu) / (time.perf_counter() - began)
        await pilot.pause()
        assert "packets" in stories.picture(app)
    return shown, core
