"""Records from elsewhere, spoiled in every way: each command tells what it can or what is wrong, in one sentence."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from spoiled import SPOILERS, odd_value

from benchctl.cli import main
from benchctl.runs.log import LOG

COMMANDS = (
    ["report", "RUN"],
    ["report", "RUN", "--format", "json"],
    ["report", "RUN", "--format", "junit"],
    ["report", "RUN", "--format", "tap"],
    ["findings", "RUN"],
    ["label", "RUN", "--board", "hand"],
    ["compare", "GOOD", "RUN"],
    ["compare", "RUN", "GOOD"],
    ["runs", "--runs", "ROOT"],
)


def check(good: Path, spoiled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command ends by itself; bad input is one sentence on standard error and nothing else."""
    for command in COMMANDS:
        places = {"RUN": str(spoiled), "GOOD": str(good), "ROOT": str(spoiled.parent)}
        code = main([places.get(word, word) for word in command])
        out, err = capsys.readouterr()
        assert code in (0, 1, 2, 3)
        if code == 2:
            assert out == ""
            assert re.fullmatch(r"benchctl: [^\n]+\n", err)
        else:
            assert err == ""


@pytest.mark.parametrize("seeds", [range(2), pytest.param(range(2, 8), marks=pytest.mark.long)], ids=str)
@pytest.mark.parametrize("spoiler", SPOILERS)
def test_spoiled_records(spoiler: str, seeds: range, run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [line for line in (run / LOG).read_bytes().splitlines() if b'"progress"' not in line]
    for seed in seeds:
        chance = random.Random(f"{spoiler} {seed}")
        folder = tmp_path / str(seed) / "run"
        folder.mkdir(parents=True)
        out = SPOILERS[spoiler](lines, chance)
        if spoiler == "odd value":
            for _ in range(seed):
                out = odd_value(out, chance)
        (folder / LOG).write_bytes(b"\n".join(out) + b"\n")
        check(run, folder, capsys)


def test_a_record_of_a_later_version(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Events and keys that this version does not know: the rest is told, the report says what it could not read."""
    lines = (run / LOG).read_bytes().splitlines()
    later = [lines[0], b'{"event":"weather","t":0.1,"sky":"grey"}', *lines[1:]]
    folder = tmp_path / "later"
    folder.mkdir()
    (folder / LOG).write_bytes(b"\n".join(later) + b"\n")

    assert main(["report", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "mudlark-hand-01" in out
    assert "line 2 of events.jsonl is damaged" in out


def test_markup_in_a_record_is_text(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A board that is called <script>: the HTML report shows the letters."""
    folder = tmp_path / "markup"
    folder.mkdir()
    bad = b"<script>alert(1)</script>"
    (folder / LOG).write_bytes((run / LOG).read_bytes().replace(b"mudlark-hand-01", bad))

    assert main(["report", str(folder), "--format", "html"]) == 0
    out = capsys.readouterr().out
    assert "<script>alert(1)" not in out
    assert "&lt;script&gt;alert(1)" in out
