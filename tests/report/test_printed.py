"""What comes out of a browser's printer and at the width of a phone; skipped where there is no browser."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from helpers_runs import failing_run, healthy_run

from benchctl import benches, shipped
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.report.as_html import page
from benchctl.report.certificate import certificate
from benchctl.report.key_figures import key_figures
from benchctl.report.sticker import as_lines, as_svg
from benchctl.report.style import STYLE
from benchctl.report.write import render_run
from benchctl.runs.summary import summarise
from benchctl.terms import Role
from benchctl.tui.screens.verdict import verdict_lines
from benchctl.tui.widgets.lines import plain

BROWSER = os.environ.get("BROWSER") or shutil.which("chromium") or ""
needs_browser = pytest.mark.skipif(not BROWSER, reason="no chromium to print with")


def printed(html: str, folder: Path) -> bytes:
    """The PDF that the browser prints."""
    source, made = folder / "page.html", folder / "page.pdf"
    source.write_text(html, "utf-8")
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
               f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={made}", source.as_uri()]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return made.read_bytes()


def sheets(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def lines_on_last(pdf: Path, pages: int) -> int:
    told = subprocess.run(["pdftotext", "-f", str(pages), str(pdf), "-"], capture_output=True, check=True, timeout=60)
    return len(told.stdout.split())


@pytest.mark.parametrize("make", [healthy_run, failing_run])
def test_one_set_of_key_figures_stands_on_screen_report_sticker_and_certificate(make) -> None:
    s = summarise(make())
    figures = [f for f in key_figures(s) if f.reading is not None]
    lines = as_lines(s, s.boards[Role.CRAFT])
    svg = as_svg(s, s.boards[Role.CRAFT])
    screen = "\n".join(map(plain, verdict_lines(s, None, 100)))

    assert figures
    for f in figures:
        kept = f.value.replace(" ", "\u00a0")
        assert kept in page(s, None)
        assert kept in certificate(s)
        assert f.value in lines
        assert f.brief in svg.replace("\u00a0", " ")
        assert f.value in screen


def test_the_worst_of_both_directions_is_the_key_figure() -> None:
    """7.2 % were lost one way: that is the pair's loss."""
    loss = key_figures(summarise(failing_run()))[0]

    assert (loss.title, loss.reading and loss.reading.value) == ("loss", 7.2)


def test_the_certificate_has_room_for_serial_number_and_signature_and_hides_no_failure() -> None:
    text = certificate(summarise(failing_run()))

    for part in ("Serial number of the pair", "Signature", "Tested by", ">fail<", "Rehearsal on a modelled bench"):
        assert part in text


def test_a_phone_loses_no_column() -> None:
    """At that width a reading's cells stand below each other; none is hidden and none needs scrolling."""
    phone = STYLE[STYLE.index("max-width:760px") : STYLE.index("@page")]

    hidden = re.findall(r"([^{}]+)\{display:none\}", phone)
    assert hidden == [["\n .readings,.readings tbody{display:block", ".readings colgroup,.readings thead"][-1]]
    assert "min-width:820px" not in STYLE


@needs_browser
@pytest.mark.long
@pytest.mark.parametrize("make", [healthy_run, failing_run])
@pytest.mark.parametrize("size", ["A4", "letter"])
def test_the_certificate_is_one_sheet(make, size: str, tmp_path: Path) -> None:
    html = certificate(summarise(make())).replace("@page{size:auto", f"@page{{size:{size}")

    assert f"@page{{size:{size}" in html
    assert sheets(printed(html, tmp_path)) == 1


@needs_browser
@pytest.mark.long
@pytest.mark.parametrize(("bench", "most"), [("mudlark", 3), ("bad-joint", 4), ("worn-stick", 4), ("four-motors", 4)])
def test_a_bring_up_prints_to_few_sheets_and_none_is_near_empty(bench: str, most: int, tmp_path: Path) -> None:
    opened = benches.open_bench(bench)
    try:
        folder = Operation(load(shipped.procedure("bring-up")), opened, tmp_path, reports=False).perform().folder
    finally:
        opened.close()
    pages = sheets(printed(render_run(folder, "html"), tmp_path))

    assert pages <= most
    if shutil.which("pdftotext"):
        assert lines_on_last(tmp_path / "page.pdf", pages) > 120, "words on the last sheet"
