"""A run without the terminal UI: what stands on the two streams, in a pipe and on a terminal."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import termios
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchctl import events as ev
from benchctl.headless import Lines
from benchctl.paced_output import MOST_WAITING, Output
from benchctl.runs.log import read
from benchctl.safety.cautions import CAUTIONS
from benchctl.terms import Limit, Reading, Verdict

FAILS = 'name = "p"\n[[stage]]\nkind = "identity"\n[stage.limits]\nstack_free = {min = 1e6}\n'
#: the most lines of a bring-up in a pipe, and the most words that a person types in it
MOST_LINES, MOST_WORDS = 60, 16


def run(*arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": ":".join(sys.path), "PYTHONIOENCODING": "utf-8", **more}
    return subprocess.run(
        [sys.executable, "-m", "benchctl", "run", *arguments], capture_output=True, text=True, env=env
    )


@pytest.fixture(scope="module")
def bring_up(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """The whole bring-up of the modelled pair, piped."""
    root = tmp_path_factory.mktemp("bring-up")
    done = run("bring-up", "--out", str(root))
    (folder,) = root.iterdir()
    return SimpleNamespace(out=done.stdout, err=done.stderr, code=done.returncode, events=read(folder).events)


def test_a_bring_up_in_a_pipe_is_a_line_a_stage(bring_up) -> None:
    """Cautions once, a line for every stage, the times outputs were live once; no control characters."""
    lines = bring_up.err.splitlines()
    titles = [e.title for e in bring_up.events if isinstance(e, ev.StageStarted)]

    assert bring_up.code == 0
    assert len(lines) + bring_up.out.count("\n") <= MOST_LINES
    for title in titles:
        assert len([one for one in lines if one.startswith(f"✓ {title}: pass")]) == 1
    for caution in CAUTIONS:
        assert bring_up.err.count(caution.text) == 1
    assert len([one for one in lines if re.fullmatch(r"outputs were live \d+ times, longest cut \d+ ms", one)]) == 1
    assert 1 <= bring_up.err.count("Ctrl-C stops") <= 3
    assert not re.search(r"[\x00-\x09\x0b-\x1f]", bring_up.err)


def test_a_bring_up_ends_in_six_lines(bring_up) -> None:
    verdict, do, cause, test, report, more = bring_up.out.splitlines()

    assert verdict.startswith("✓ PASS: bring-up on ")
    assert do.startswith("do: ")
    assert cause == "cause:  none found"
    assert test == "test:   none"
    assert Path(report.removeprefix("report: ")).name == "report.html"
    assert "benchctl report" in more
    assert "-v" in more


def test_a_person_types_few_words_in_a_bring_up(bring_up) -> None:
    """Every statement that used to be asked for is still made, and typed words are never shared between hazards."""
    asked = [e for e in bring_up.events if isinstance(e, ev.Prompt) and e.kind is ev.PromptKind.WORD]
    given = {e.what for e in bring_up.events if isinstance(e, ev.Attestation) and e.accepted}

    assert len(asked) <= MOST_WORDS
    assert given >= {"unpowered", "polarity", "bridges", "orientation", "radio_capacitor", "props_off",
                     "usb_or_battery", "held_down", "supply_limited", "eyes_protected", "plane_clear",
                     "cut_off_in_reach"}  # fmt: skip


@pytest.fixture
def failing(tmp_path: Path) -> str:
    path = tmp_path / "p.toml"
    path.write_text(FAILS)
    return str(path)


def test_quiet_leaves_the_six_lines(failing: str, tmp_path: Path) -> None:
    done = run(failing, "--quiet", "--out", str(tmp_path / "runs"))

    assert (done.returncode, done.stderr) == (1, "")
    assert len(done.stdout.splitlines()) == 6
    assert done.stdout.startswith("✗ FAIL: p on ")
    assert str(tmp_path) in done.stdout


def test_only_failing_readings_stand_below_a_stage(failing: str, tmp_path: Path) -> None:
    """All of them with -v."""
    few = run(failing, "--out", str(tmp_path / "a")).stderr
    all_ = run(failing, "-v", "--out", str(tmp_path / "b")).stderr

    assert "✗ Identity: fail" in few
    assert "✗ RAM the stack never used, hand: " in few
    assert "✓ clock" not in few
    assert "✓ clock" in all_
    assert "[hand.stack_free]" in all_
    assert all_.index("▸ Identity") < all_.index("✓ clock") < all_.index("✗ Identity (identity): fail")


def on_terminal(arguments: list[str], **env: str) -> str:
    """What a run puts out on a terminal of 80×24."""
    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    full = {**os.environ, "PYTHONPATH": ":".join(sys.path), "PYTHONIOENCODING": "utf-8", "TERM": "xterm"}
    full.pop("NO_COLOR", None)
    full.pop("COLUMNS", None)
    child = subprocess.Popen(
        [sys.executable, "-m", "benchctl", "run", *arguments], stderr=theirs, stdout=subprocess.DEVNULL,
        stdin=theirs, env={**full, **env},
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    while select.select([ours], [], [], 60)[0]:
        try:
            data = os.read(ours, 65536)
        except OSError:
            break
        if not data:
            break
        seen += data
    child.wait(60)
    os.close(ours)
    return seen.decode()


def test_a_terminal_gets_colour_unless_told_otherwise(failing: str, tmp_path: Path) -> None:
    coloured = on_terminal([failing, "--out", str(tmp_path / "a")])
    plain = on_terminal([failing, "--out", str(tmp_path / "b")], NO_COLOR="1")

    assert "\x1b[31m✗ Identity" in coloured
    assert "\x1b[3" not in plain
    assert "✗ Identity" in plain


def drawn(text: str) -> list[str]:
    """The rows that stand on a terminal in the end: each as it was drawn last."""
    rows = [row.rsplit("\r\x1b[K", 1)[-1].rstrip("\r") for row in text.split("\n")]
    return [re.sub(r"\x1b\[[0-9;]*m", "", row) for row in rows]


def test_a_terminal_wraps_at_words(tmp_path: Path) -> None:
    """No row is wider than the terminal, no word is cut."""
    path = tmp_path / "p.toml"
    path.write_text('name = "p"\n[[stage]]\nkind = "before_power"\n[[stage]]\nkind = "identity"\n')
    rows = drawn(on_terminal([str(path), "--out", str(tmp_path / "runs")]))
    text = " ".join(row.strip() for row in rows)

    assert max(map(len, rows)) < 80
    for caution in CAUTIONS:
        assert f"{caution.topic}: {caution.text}" in text


class Screen:
    """A terminal to write to, which remembers what was written."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        return

    def isatty(self) -> bool:
        return True


def test_a_stage_is_one_line_in_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """With progress and the time left; when it has ended its line stays, failing readings below it."""
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setattr("benchctl.paced_output.DRAW_S", 0.001)
    screen = Screen()
    lines = Lines(screen)  # type: ignore[arg-type]
    bad = Reading("loss", 9.0, "%", 10).judged(Limit(max=1.0), Verdict.FAIL)
    good = Reading("jitter", 1.0, "ms", 10).judged(Limit(max=5.0), Verdict.PASS)
    lines(ev.StageStarted(0, "link", "radio_link", "Radio link", "Leave it alone.", 40))
    lines(ev.Progress(10, "link", 25, 100, "hand to craft"))
    while "25 %" not in screen.text:
        pass
    lines(ev.ReadingTaken(20, "link", bad))
    lines(ev.ReadingTaken(20, "link", good))
    lines(ev.StageEnded(40, "link", "radio_link", Verdict.FAIL, "loss is 9 %", 40))
    lines.close()

    assert "▸ Radio link: 25 %, 30 s left: hand to craft" in screen.text
    assert [row.replace("\u00a0", " ") for row in drawn(screen.text) if row] == [
        "✗ link: fail, 40 s: loss is 9 %",
        f"  ✗ loss: {bad.text()}, limit {Limit(max=1.0).text('%')}",
    ]


class Stuck:
    """A terminal that takes nothing."""

    def __init__(self) -> None:
        self.reader, self.writer = os.pipe()

    def write(self, text: str) -> int:
        return os.write(self.writer, text.encode())

    def flush(self) -> None:
        return

    def isatty(self) -> bool:
        return False

    def close(self) -> None:
        os.close(self.reader)


def test_nobody_waits_for_a_terminal_that_takes_nothing() -> None:
    """A run says many times what the system keeps and what is kept here; what is too much is left out."""
    stuck = Stuck()
    output = Output(stuck, terminal=False)  # type: ignore[arg-type]
    try:
        for _ in range(3 * MOST_WAITING):
            output.line("x" * 200)
        output.close(0.05)

        assert output.dropped >= MOST_WAITING - 1
        assert output._lines.qsize() <= MOST_WAITING + 1
    finally:
        stuck.close()
