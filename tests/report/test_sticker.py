"""The board label: words and a code that leads back to the run."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
import qr_reader
import segno
from helpers_runs import failing_run, healthy_run

from benchctl.errors import UsageError
from benchctl.report import sticker
from benchctl.runs.summary import summarise

SVG = "{http://www.w3.org/2000/svg}"


def test_the_code_holds_label_state_and_run() -> None:
    s = summarise(failing_run(simulated=False))

    assert sticker.payload(s, sticker.chosen(s, "craft")) == "mudlark-craft-03\nfail\n20260314-101530-bring-up-3fa9"


def test_a_rehearsal_never_looks_like_a_test_of_the_board() -> None:
    s = summarise(healthy_run())
    board = sticker.chosen(s, "mudlark-hand-03")

    assert "pass (rehearsal)" in sticker.payload(s, board)
    assert "pass (rehearsal)" in sticker.as_lines(s, board)
    assert "pass (rehearsal)" in sticker.as_svg(s, board)


def test_a_board_is_found_by_label_or_role_and_others_are_refused_with_what_there_is() -> None:
    s = summarise(healthy_run())

    assert sticker.chosen(s, "hand") is sticker.chosen(s, "mudlark-hand-03")
    with pytest.raises(UsageError, match="it has mudlark-hand-03, mudlark-craft-03"):
        sticker.chosen(s, "mudlark-hand-09")
    with pytest.raises(UsageError, match="it has none"):
        sticker.chosen(summarise([]), "hand")


def modules_of(svg: str) -> tuple[int, set[tuple[int, int]]]:
    """Size of the code and its dark modules, as drawn."""
    root = ET.fromstring(svg)
    path = root.find(f"{SVG}path")
    assert path is not None
    dark = set()
    for part in path.get("d", "").split("M")[1:]:
        x, y = part.split("h")[0].split()
        dark.add((int(x) - 4, int(y) - 4))
    return max(x for x, _ in dark) + 1, dark


def test_the_drawn_code_has_the_marks_of_a_qr_code_and_its_empty_margin() -> None:
    """Finder patterns and the size 17 + 4 x version: ISO/IEC 18004 (from memory)."""
    s = summarise(healthy_run())
    size, dark = modules_of(sticker.as_svg(s, sticker.chosen(s, "hand")))
    finder = {(x, y) for x in range(7) for y in range(7) if x in (0, 6) or y in (0, 6) or (2 <= x <= 4 and 2 <= y <= 4)}

    assert size % 4 == 1
    for dx, dy in ((0, 0), (size - 7, 0), (0, size - 7)):
        assert {(x - dx, y - dy) for x, y in dark if dx <= x < dx + 7 and dy <= y < dy + 7} == finder
    assert min(x for x, _ in dark) == min(y for _, y in dark) == 0


@pytest.mark.parametrize("label", ["hand", "craft"])
@pytest.mark.parametrize("make", [healthy_run, failing_run])
def test_a_reader_of_its_own_reads_label_state_and_run(make, label: str) -> None:
    """By `qr_reader`, which shares nothing with the library that draws; a usual one was tried by hand as well."""
    s = summarise(make())
    board = sticker.chosen(s, label)

    assert qr_reader.read(*modules_of(sticker.as_svg(s, board))) == sticker.payload(s, board).encode()


@pytest.mark.parametrize("length", [5, 20, 35, 55, 75, 95])
def test_the_reader_reads_every_size_of_code(length: int) -> None:
    text = "".join(chr(97 + i % 26) for i in range(length))
    rows = [list(row) for row in segno.make(text, error="m", micro=False, boost_error=False).matrix]
    dark = {(x, y) for y, row in enumerate(rows) for x, on in enumerate(row) if on}

    assert qr_reader.read(len(rows), dark) == text.encode()
    assert qr_reader.read(len(rows), dark ^ {(len(rows) - 1, len(rows) - 8)}) != text.encode()


def test_text_and_drawing_show_the_same_code() -> None:
    s = summarise(healthy_run())
    board = sticker.chosen(s, "craft")
    size, dark = modules_of(sticker.as_svg(s, board))
    rows = sticker.as_lines(s, board).splitlines()[: (size + 4 + 1) // 2]
    upper, lower = "▀█", "▄█"
    light = {  # half blocks are drawn light on a dark ground
        (x - 2, 2 * y + k - 2)
        for y, row in enumerate(rows)
        for x, c in enumerate(row)
        for k in (0, 1)
        if c in (upper, lower)[k]
    }
    seen = {(x, y) for x in range(size) for y in range(size) if (x, y) not in light}

    assert seen == dark


def test_labels_are_escaped_and_long_ones_are_squeezed() -> None:
    events = healthy_run()
    from dataclasses import replace

    from benchctl import events as ev

    nasty = "<script>" + "x" * 40
    named = [replace(e, label=nasty) if isinstance(e, ev.BoardSeen) else e for e in events]
    s = summarise(named)
    root = ET.fromstring(sticker.as_svg(s, sticker.chosen(s, "hand")))
    texts = root.findall(f"{SVG}text")

    assert texts[0].text == nasty
    assert texts[0].get("textLength") is not None
