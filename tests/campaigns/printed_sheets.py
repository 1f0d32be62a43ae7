"""Sheets of A4 that a report prints to, by a browser that is there: `printed_sheets.py RUN… | --benches`.

--benches: the whole bring-up on every shipped bench. Needs chromium (or another browser of its kind, named in BROWSER).
Ends with 1 where a report takes more than three sheets.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, shipped
from benchctl.benchfile import shipped_benches
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.report.write import render_run

MOST = 3


def sheets(folder: Path, scratch: Path) -> int:
    """Pages of the PDF that the browser prints."""
    page, printed = scratch / "report.html", scratch / "report.pdf"
    page.write_text(render_run(folder, "html"), "utf-8")
    command = [os.environ.get("BROWSER", "chromium"), "--headless", "--no-sandbox", "--disable-gpu",
               "--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri()]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes()))


def brought_up(name: str, root: Path) -> Path:
    bench = benches.open_bench(name)
    try:
        return Operation(load(shipped.procedure("bring-up")), bench, root).perform().folder
    finally:
        bench.close()


def main() -> int:
    worst = 0
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        given = [a for a in sys.argv[1:] if not a.startswith("--")]
        shipped_ones = sorted(shipped_benches()) if "--benches" in sys.argv else []
        for name in [*given, *shipped_ones]:
            folder = Path(name) if name in given else brought_up(name, root)
            count = sheets(folder, root)
            worst = max(worst, count)
            print(f"{name:<24}{count} sheets", flush=True)
    return int(worst > MOST)


if __name__ == "__main__":
    sys.exit(main())
