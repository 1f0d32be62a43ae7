"""Cost of the terminal UI, as ratios to a bare Textual table in the same run: `bench_ui.py [--quick] [--json]`.

paint: process start to the first screen on a pseudo-terminal, against a Textual app with one table. idle, loaded:
share of a core that the run screen takes while a run tells nothing, and 2 000 events a second; how late a thread that
wants to wake every millisecond is beside it; from the stop key to the call that stops. pour: events a second that the
link takes from a run's thread, and how many of them are left for the screen. full_rate: two boards at 200 kB/s each
through ports and decoders beside the run screen, senders that lose what finds no room: frames sent, frames and bytes
lost, refreshes of the screen, share of a core, share of the full rate that the machine let the senders keep.
"""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import statistics
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "tui")]

QUICK = "--quick" in sys.argv
REPEATS = 3 if QUICK else 7
SECONDS = 2.0 if QUICK else 5.0
RATE = 2000  # events a second, more than two boards at full rate lead to

_BARE = """
from textual.app import App
from textual.widgets import DataTable, Footer
class Bare(App):
    def compose(self):
        yield DataTable()
        yield Footer()
    def on_mount(self):
        table = self.query_one(DataTable)
        table.add_columns("procedure", "title")
        table.add_row("bring-up", "a pair")
Bare().run()
"""
_OURS = "from benchctl.tui.app import main; main()"


# ---------------------------------------------------------------------- first paint


def first_paint(code: str, shown: bytes) -> float:
    """Seconds from the process's start until `shown` comes out of its terminal."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)}
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=environment,
        start_new_session=True,
    )
    os.close(theirs)
    seen = b""
    try:
        while shown not in seen:
            seen += os.read(ours, 65536)
        return time.perf_counter() - began
    finally:
        process.kill()
        process.wait()
        os.close(ours)


def paint() -> dict[str, float]:
    pairs = [(first_paint(_BARE, b"bring-up"), first_paint(_OURS, b"bring-up")) for _ in range(REPEATS)]
    bare, ours = (statistics.median(p[i] for p in pairs) for i in (0, 1))
    return {
        "bare_ms": 1000 * bare,
        "ours_ms": 1000 * ours,
        "ratio": statistics.median(b / a for a, b in pairs),
        "bound": 1.3,
    }


# ---------------------------------------------------------------------- a run screen under load


def tell(link: Any, go_on: Callable[[], bool], rate: int) -> None:
    """Events as a link stage at full rate leads to, from a thread of its own."""
    from benchctl import events as ev
    from benchctl.terms import Interval, Limit, Reading, Source, Verdict

    began, i = time.perf_counter(), 0
    while go_on():
        i += 1
        t = time.perf_counter() - began
        if i % 2:
            link._read(ev.Progress(t, "link", t % 8, 8.0, "hand_to_craft: single packets"))
        else:
            value = 50 + 10 * (i % 97) / 97
            reading = Reading("hand_to_craft.loss", value, "%", i, Interval(0, 60), Source.COUNTING)
            link._read(ev.ReadingTaken(t, "link", reading.judged(Limit(max=60), Verdict.UNDECIDED), False))
        ahead = i / rate - (time.perf_counter() - began)
        if ahead > 0.002:
            time.sleep(ahead)


def lateness(go_on: Callable[[], bool]) -> list[float]:
    """Milliseconds that a thread wakes too late, which wants to wake every millisecond."""
    late = []
    while go_on():
        before = time.perf_counter()
        time.sleep(0.001)
        late.append(1000 * (time.perf_counter() - before) - 1)
    return sorted(late)


async def screen_under_load(loaded: bool) -> dict[str, float]:
    import stories

    from benchctl.tui.app import BenchApp
    from benchctl.tui.screens.run import RunScreen

    app = BenchApp(root=Path("/nowhere"), look=list)
    async with app.run_test(size=(120, 40)) as pilot:
        link = stories.Replay()
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause(0.5)
        link.feed(stories.in_link())
        await pilot.pause(0.5)
        going = True
        late: list[float] = []
        threads = [threading.Thread(target=lambda: late.extend(lateness(lambda: going)))]
        if loaded:
            threads.append(threading.Thread(target=tell, args=(link, lambda: going, RATE)))
        cpu, began = time.process_time(), time.perf_counter()
        for thread in threads:
            thread.start()
        await asyncio.sleep(SECONDS)
        share = (time.process_time() - cpu) / (time.perf_counter() - began)
        stop_ms = [await _stop(pilot, link) for _ in range(5)]
        going = False
        for thread in threads:
            thread.join()
    return {"core_percent": 100 * share, "late_p99_ms": late[int(0.99 * len(late))], "stop_ms": max(stop_ms)}


async def _stop(pilot: Any, link: Any) -> float:
    """Milliseconds from the key's arrival to the call that stops."""
    called: list[float] = []
    link.stop = lambda by: called.append(time.perf_counter())
    began = time.perf_counter()
    await pilot.press("ctrl+x")
    while not called:
        await asyncio.sleep(0.001)
    return 1000 * (called[0] - began)


# ---------------------------------------------------------------------- the link alone


def pour() -> dict[str, float]:
    import stories

    link = stories.Replay()
    count, end = 0, time.perf_counter() + (0.5 if QUICK else 2.0)

    def go_on() -> bool:
        nonlocal count
        count += 1
        return time.perf_counter() < end

    tell(link, go_on, 10**9)
    return {"events_per_s": count / (0.5 if QUICK else 2.0), "left_for_the_screen": len(link.batch.take())}


# ---------------------------------------------------------------------- two boards at full rate


def full_rate() -> dict[str, float]:
    import streams

    found = [streams.carry(SECONDS, loses=True) for _ in range(REPEATS // 2)]
    return {
        "frames": sum(c.frames for c in found),
        "lost_frames": sum(c.frames - c.good for c in found),
        "lost_bytes": sum(c.lost_bytes for c in found),
        "shown": sum(c.shown for c in found),
        "core_percent": statistics.median(c.core_percent for c in found),
        "share": min(c.share for c in found),
    }


def main() -> None:
    idle, loaded = asyncio.run(screen_under_load(False)), asyncio.run(screen_under_load(True))
    found = {"paint": paint(), "idle": idle, "loaded": loaded, "pour": pour(), "full_rate": full_rate()}
    if "--json" in sys.argv:
        print(json.dumps(found))
        return
    for what, figures in found.items():
        print(f"{what:<8}" + "  ".join(f"{name} {value:.4g}" for name, value in figures.items()))


if __name__ == "__main__":
    main()
