"""Draw the README's pictures from a bring-up on the modelled pair: `python .pictures/draw.py`.

run.svg: the run screen in the throttle ramp. report.png: the top of the report, by a browser that is there
(chromium, or another of its kind, named in BROWSER).
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import tempfile
from pathlib import Path

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


def report_top(page: Path, out: Path) -> None:
    browser = os.environ.get("BROWSER", "chromium")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
               f"--window-size={WIDE},{HIGH}", f"--screenshot={out}", page.as_uri()]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    with Image.open(out) as picture:
        picture.convert("P", palette=Image.Palette.ADAPTIVE, colors=64).save(out, optimize=True)


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        (HERE / "run.svg").write_text(alone(asyncio.run(run_screen(root))), "utf-8")
        (folder,) = list_runs(root)
        report_top(folder / "report.html", HERE / "report.png")
    for name in ("run.svg", "report.png"):
        print(f"{name}: {(HERE / name).stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
