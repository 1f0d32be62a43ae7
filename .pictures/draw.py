"""Draw the README's pictures from a bring-up on the modelled pair: `python .pictures/draw.py`.

run.svg: the run screen in the throttle ramp. report.png: the top of the report, by a browser that is there
(chromium, or another of its kind, named in BROWSER). With `--all DIR`, besides, to be looked at: every screen at
80x24, 120x40 and 200x60, and the report on a desktop, at a phone's width and printed.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

from benchctl import shipped
from benchctl.procedure.file import load
from benchctl.runs.folder import list_runs
from benchctl.tui.app import BenchApp
from benchctl.tui.link import Choice, RunLink
from benchctl.tui.screens.run import RunScreen

HERE = Path(__file__).parent
SIZE = (118, 34)
#: of the report's top, in pixels
WIDE, HIGH = 1100, 1000
#: of a phone, in CSS pixels
PHONE = 390
STAGE = "throttle_ramp"


async def run_screen(root: Path) -> str:
    """The screen while the motor turns; then the run goes on to its end."""
    app = BenchApp(root=root, look=list)
    async with app.run_test(size=SIZE) as pilot:
        link = RunLink(Choice(load(shipped.procedure("bring-up")), "sim"), root, lambda: None)
        app.link = link
        link.set_speed(0.0)
        screen = RunScreen(link)
        app.push_screen(screen)
        while not shown(screen, link):
            if screen.summary.current == STAGE:
                link.set_speed(2.0)
            await pilot.pause(0.02)
            assert link.alive
        await pilot.pause(0.3)
        svg = str(app.export_screenshot(title="benchctl"))
        link.set_speed(0.0)
        while link.alive:
            await pilot.pause(0.2)
    return svg


def shown(screen: RunScreen, link: RunLink) -> bool:
    """The motor turns, and has for so long that there is a curve to see."""
    growing = [curve for _, found in link.growing(STAGE) for curve in found]
    return screen.summary.live is not None and any(len(curve.x) > 30 for curve in growing)


def alone(svg: str) -> str:
    """Without fonts from elsewhere."""
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.S)
    return re.sub(r"font-family: [^;]*;", "font-family: monospace;", svg)


def browse(*asked: str) -> None:
    browser = os.environ.get("BROWSER", "chromium")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", *asked]
    subprocess.run(command, check=True, capture_output=True, timeout=300)


def report_top(page: Path, out: Path) -> None:
    browse(f"--window-size={WIDE},{HIGH}", f"--screenshot={out}", page.as_uri())
    with Image.open(out) as picture:
        picture.convert("P", palette=Image.Palette.ADAPTIVE, colors=64).save(out, optimize=True)


def report_all(page: Path, out: Path) -> None:
    """Desktop, phone (in a frame, since a browser's window has a least width) and paper."""
    browse("--window-size=1400,9000", f"--screenshot={out / 'report-desktop.png'}", page.as_uri())
    browse("--no-pdf-header-footer", f"--print-to-pdf={out / 'report-print.pdf'}", page.as_uri())
    frame = page.with_name("phone.html")
    style = f"width:{PHONE}px;height:14000px;border:0"
    frame.write_text(f'<body style="margin:0"><iframe src="{page.as_uri()}" style="{style}"></iframe></body>', "utf-8")
    browse("--window-size=500,14000", f"--screenshot={out / 'report-phone.png'}", frame.as_uri())
    frame.unlink()


def screens_all(out: Path) -> None:
    """The screens of the tests, by the tests' own plays, each at every size."""
    tests = HERE.parent / "tests"
    sys.path[:0] = [str(tests / "tui"), str(tests)]
    import stories
    from test_pictures import PICTURES, own_procedures

    for size in stories.SIZES:
        for name, (play, more) in PICTURES.items():
            path = out / f"{name}-{size[0]}x{size[1]}.svg"
            with tempfile.TemporaryDirectory() as scratch:
                drawn_with(stories, size, play, path, Path(scratch), own_procedures, dict(more))


def drawn_with(
    stories: Any, size: tuple[int, int], play: Any, path: Path, scratch: Path, own_procedures: Any, more: dict[str, Any]
) -> None:
    found = own_procedures(scratch / "procedures")
    shipped.procedures = lambda: found

    async def drawn(app: BenchApp, pilot: Any) -> None:
        await play(app, pilot)
        for _ in range(3):
            await pilot.pause()
        path.write_text(alone(str(app.export_screenshot(title="benchctl"))), "utf-8")

    stories.with_app(size, drawn, root=scratch / "runs", **more)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--all", type=Path, metavar="DIR", help="every screen and the whole report, into DIR")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        (HERE / "run.svg").write_text(alone(asyncio.run(run_screen(root))), "utf-8")
        (folder,) = list_runs(root)
        report_top(folder / "report.html", HERE / "report.png")
        if asked.all:
            asked.all.mkdir(parents=True, exist_ok=True)
            report_all(folder / "report.html", asked.all)
            screens_all(asked.all)
    for name in ("run.svg", "report.png"):
        print(f"{name}: {(HERE / name).stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
