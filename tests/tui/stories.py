"""Recorded runs for the screens' tests: events of the Mudlark workshop, and a link that replays them."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
from helpers_runs import CRAFT, HAND, Story, failing_run, healthy_run

from benchctl import events as ev
from benchctl import shipped
from benchctl.declare import owner_wiring
from benchctl.operators import PersonOperator
from benchctl.pairfile.reader import load as pair_file
from benchctl.procedure.file import load
from benchctl.runs.folder import RunFolder
from benchctl.runs.log import RunLog
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Interval, Limit, Reading, Source, Verdict
from benchctl.tui.app import BenchApp
from benchctl.tui.link import Choice, RunLink

SIZES = [(80, 24), (120, 40), (200, 60)]


def procedure(name: str = "bring-up") -> Any:
    return load(shipped.procedure(name))


class Replay(RunLink):
    """A link whose run is a list of events: `feed` them, the screen takes them. Stops and answers are noted."""

    def __init__(self, *, person: bool = False) -> None:
        super().__init__(Choice(procedure(), "sim"), Path("/runs"), lambda: None)
        self.folder = Path("/runs/20260314-101530-bring-up-3fa9")
        self.going = True
        self.stops: list[str] = []
        self.answers: list[tuple[int, str]] = []
        if person:
            self.person = PersonOperator()

    def start(self) -> None:
        return

    def feed(self, events: Iterable[ev.Event]) -> None:
        for event in events:
            self._read(event)

    def stop(self, by: str) -> ev.StopPressed:
        self.stops.append(by)
        return super().stop(by)

    def answer(self, prompt_id: int, text: str) -> None:
        self.answers.append((prompt_id, text))

    @property
    def alive(self) -> bool:
        return self.going

    @property
    def wirings(self) -> Any:
        return mudlark_wirings()


def mudlark_wirings(pair: str = "mudlark") -> Any:
    """What the pair file says of each board."""
    spec = pair_file(pair)
    return {role: owner_wiring(spec, role) for role in spec.boards}


def with_app(size: tuple[int, int], play: Callable[[BenchApp, Any], Awaitable[None]], **more: Any) -> None:
    """Play with an app of that size: keys through the pilot, then whatever is looked at."""

    async def whole() -> None:
        app = BenchApp(root=more.pop("root", Path("/nowhere/runs")), look=more.pop("look", list), **more)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await play(app, pilot)

    asyncio.run(whole())


async def until(pilot: Any, reached: Callable[[], bool], seconds: float = 300.0) -> None:
    """Wait for something to be so; the failure says what."""
    for _ in range(int(seconds / 0.05)):
        if reached():
            return
        await pilot.pause(0.05)
    raise AssertionError(f"did not come about within {seconds:g} s; the screen is\n{picture(pilot.app)}")


def picture(app: BenchApp) -> str:
    """The screen as plain lines, nothing at their ends."""
    screen = app.screen
    strips = screen._compositor.render_strips(screen.size)
    return "\n".join(strip.text.rstrip() for strip in strips) + "\n"


def record(root: Path, name: str, events: Iterable[ev.Event]) -> Path:
    """Write a run folder as a run would."""
    with RunFolder.create(root / name) as folder:
        log = RunLog(folder.path)
        for event in events:
            log(event)
        log.close()
        folder.seal()
        return folder.path


# ---------------------------------------------------------------------- moments of a run


def _begun() -> Story:
    s = Story()
    s.begin()
    s.boards()
    s.identity()
    s.supply()
    s.transceiver()
    return s


def in_link() -> list[ev.Event]:
    """In the link stage: loss firming up, some packets in."""
    s = _begun()
    s.start("link", 9.0)
    for i in range(1, 30):
        s.t += 0.1
        lost = i // 9
        reading = Reading("hand_to_craft.loss", 100 * lost / (20 * i), "%", 20 * i, Interval(0.0, 2.0 + 10 / i),
                          Source.COUNTING).judged(Limit(max=1.0), Verdict.UNDECIDED)  # fmt: skip
        s.add(ev.ReadingTaken(s.t, "link", reading, False))
    s.add(ev.Progress(s.t, "link", 3.0, 8.0, "hand_to_craft: single packets"))
    rows = np.column_stack([np.arange(300) * 0.01, 662 + 40 * np.abs(np.sin(np.arange(300) / 9))])
    s.table("link", "round_trip", "latency", {"at": "s", "round trip": "us"}, rows)
    s.read("link", "round_trip.p50", 675.0, "us", n=300, limit=Limit(max=2000))
    s.add(ev.Note(s.t, "link", "Channel 76 is quiet.", "info"))
    return s.events


def in_prompt(kind: ev.PromptKind = ev.PromptKind.COUNT) -> list[ev.Event]:
    """The operator is asked something."""
    s = _begun()
    s.start("button", 20.0)
    s.add(ev.Prompt(s.t, "button", 7, kind, "The LED of the craft board blinks a few times: count the blinks.",
                    "count_blinks", CRAFT, "led", unit="V" if kind is ev.PromptKind.NUMBER else ""))  # fmt: skip
    return s.events


def in_ramp() -> list[ev.Event]:
    """The motor may turn."""
    s = _begun()
    s.link()
    s.servo()
    s.start("ramp", 30.0)
    s.attest("props_off", "The propeller is off the motor.")
    s.add(ev.OutputsLive(s.t, "ramp", True, "motor of mudlark-craft-03", 0.2))
    at = np.arange(0.0, 4.0, 0.1)
    looks = np.column_stack([at, 4.0 + 4 * (at > 2), 4.98 - 0.01 * (at > 2) - 0.004 * (at % 0.3 < 0.1)])
    columns, units = ("at", "throttle", "supply"), ("s", "%", "V")
    s.add(ev.Samples(s.t + 4, "ramp", "ramp_supply", "timeline", columns, units, len(looks), "", looks, False))
    s.add(ev.Progress(s.t + 4, "ramp", 2, 6, "8 % of full throttle"))
    return s.events


def in_loss() -> list[ev.Event]:
    """The craft's cable has been pulled in the link stage."""
    s = _begun()
    s.start("link", 9.0)
    s.t += 2
    s.add(ev.BoardReset(s.t, HAND, "brown-out", False, {}))
    s.add(ev.BoardLost(s.t, CRAFT, "sim:craft: the port is gone"))
    s.end("link", Verdict.UNDECIDED, "the craft board is lost")
    s.add(ev.FindingMade(s.t, 1, "source_too_weak", "USB source or cable too weak", 0.62, HAND,
                         ("hand: restarted by brown-out",), (), "use a shorter, thicker cable", "", False))  # fmt: skip
    return s.events


def summary(events: Iterable[ev.Event], *, live: bool = False) -> Summary:
    return summarise(events, live=live)


def workshop(root: Path) -> None:
    """A batch of four pairs in two days, one of them bad, and a rehearsal the day before."""
    days = (
        ("20260314-101530-bring-up-3fa9", "2026-03-14T10:15:30Z"),
        ("20260314-113002-bring-up-81c0", "2026-03-14T11:30:02Z"),
        ("20260315-090500-bring-up-12aa", "2026-03-15T09:05:00Z"),
        ("20260315-094000-bring-up-77b1", "2026-03-15T09:40:00Z"),
    )
    real = {"simulated": False, "bench": "ports", "bench_kind": "ports", "operator": "person"}
    for number, (name, wall) in enumerate(days, 1):
        made = failing_run if number == 2 else healthy_run
        record(root, name, [_relabelled(e, number) for e in made(run=name, wall=wall, **real)])
    rehearsal = "20260313-080000-bring-up-0001"
    record(root, rehearsal, healthy_run(run=rehearsal, wall="2026-03-13T08:00:00Z"))


def _relabelled(event: ev.Event, number: int) -> ev.Event:
    if isinstance(event, ev.BoardSeen):
        return dataclasses.replace(event, label=f"mudlark-{event.role}-{number:02d}")
    return event
