"""Whatever is wrong with what a person types or hands over: exit code 2, one sentence, place and expectation."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from needs import need_avr

from benchctl.cli import main

Said = Callable[..., str]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    """said(arguments…): the sentence that the command line ends with; checks all that holds for every bad input."""

    def call(*arguments: str | Path) -> str:
        code = main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert code == 2, err
        assert out == ""
        assert re.fullmatch(r"benchctl: [^\n]{10,1500}\n", err), err
        assert "Traceback" not in err
        return err

    return call


@pytest.fixture
def file(tmp_path: Path) -> Callable[[str | bytes], Path]:
    def make(text: str | bytes) -> Path:
        path = tmp_path / "bad.toml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return make


RUN = ("run", "radio-link", "--quiet", "--bench", "sim")
FLAT = [
    ((), "needs a terminal"),  # pytest's standard streams are none
    (("nosuch",), "COMMAND"),
    (("run",), "PROCEDURE"),
    (("run", "nosuch"), "no procedure 'nosuch'.*bring-up"),
    (("run", ""), "no procedure ''"),
    (("run", "x" * 300), "no procedure"),
    (("run", "/etc"), "expected a file"),
    ((*RUN, "--seed", "seven"), "--seed: expected a whole number, got 'seven'"),
    ((*RUN, "--seed", "1.5"), "--seed: expected a whole number"),
    ((*RUN, "--kind", "real"), "--kind.*sim"),
    ((*RUN, "--nosuch"), "--nosuch"),
    (("run", "radio-link", "--bench", "nosuch"), "bench 'nosuch'.*sim, avr, ports"),
    (("run", "radio-link", "--bench", ""), "bench ''"),
    (("run", "radio-link", "--bench", "x" * 300), "bench"),
    (("run", "radio-link", "--bench", "/etc"), "bench '/etc'"),
    ((*RUN, "--only", "nosuch"), "no stage 'nosuch'; it has identity, transceiver, link"),
    ((*RUN, "--label", "hand"), "--label hand: expected ROLE="),
    ((*RUN, "--label", "=x"), "--label =x: expected ROLE="),
    ((*RUN, "--label", "boat=x"), "--label boat=x: expected ROLE=.*hand, craft, gauge"),
    ((*RUN, "--label", "hand=" + "x" * 17), "at most 16 bytes"),
    ((*RUN, "--label", "hand=" + "ü" * 9), "at most 16 bytes"),
    ((*RUN, "--label", "hand=a\tb"), "without control characters"),
    ((*RUN, "--label", "hand=same", "--label", "craft=same"), "another label for each"),
    ((*RUN, "--label", "gauge=x"), "no gauge board; it has hand, craft"),
    ((*RUN, "--image", "hand"), "--image hand: expected ROLE="),
    ((*RUN, "--image", "hand=x.hex"), "--image needs a bench of kind avr"),
    (("run", "radio-link", "--bench", "ports", "--kind", "sim"), "--kind: expected a simulated bench"),
    (("run", "radio-link", "--bench", "ports", "--seed", "4"), "--seed: expected a simulated bench"),
    (("run", "radio-link", "--bench", "ports", "--image", "hand=x"), "--image: expected a simulated bench"),
    (("run", "radio-link", "--bench", "serial", "--seed", "4"), "--seed: expected a simulated bench"),
    ((*RUN, "--answers", "/nosuch.toml"), "answers /nosuch.toml: cannot be read"),
    ((*RUN, "--out", "/etc/passwd"), "--out /etc/passwd: expected a folder"),
    ((*RUN, "--out", "/proc/nosuch"), "--out /proc/nosuch: expected a folder"),
    ((*RUN, "--out", "x" * 300), "--out x+: expected a folder"),
    (("report",), "RUN"),
    (("report", "nosuch"), "no run folder"),
    (("report", "x" * 300, "--runs", "/etc"), "cannot be read"),
    (("report", "/etc"), "/etc is no run folder"),
    (("report", "last", "--format", "pdf"), "--format.*'pdf'.*junit"),
    (("report", "last", "--runs", "/nosuch"), "no run is kept in /nosuch"),
    (("report", "last", "--runs", "/etc/passwd"), "/etc/passwd cannot be read"),
    (("findings", "/etc"), "/etc is no run folder"),
    (("compare", "/etc"), "NEW"),
    (("compare", "/etc", "/etc"), "/etc is no run folder"),
    (("label", "/etc"), "--board"),
    (("label", "/etc", "--board", "hand"), "/etc is no run folder"),
    (("runs", "--most", "many"), "--most: expected a whole number"),
    (("runs", "--most", "0"), "--most: expected a whole number from 1"),
    (("runs", "--runs", "/etc/passwd"), "/etc/passwd cannot be read"),
    (("flash",), "PORT"),
    (("flash", "/dev/nosuch"), "/dev/nosuch: there is no such port"),
    (("flash", "/dev/null", "--mhz", "12"), "--mhz.*16"),
    (("flash", "/dev/null", "--image", "/nosuch.hex"), "/nosuch.hex: the firmware image cannot be read"),
    (("bench",), "COMMAND"),
    (("bench", "serve", "nosuch"), "bench 'nosuch'"),
    (("bench", "serve", "ports"), "bench serve ports: expected a simulated bench"),
    (("bench", "keys", "more"), "more"),
]


@pytest.mark.parametrize(("arguments", "says"), FLAT, ids=lambda v: " ".join(v)[:60] if isinstance(v, tuple) else "")
def test_arguments(arguments: tuple[str, ...], says: str, said: Said) -> None:
    assert re.search(says, said(*arguments))


IDENTITY = 'name = "p"\n[[stage]]\nkind = "identity"\n'
PROCEDURES = [
    ("", "top level: has no name; expected name"),
    ("name = 5", "top level.name: expected a text"),
    ('name = "p"', "stage: expected at least one"),
    ('name = "p"\nstage = 3', "stage: expected at least one"),
    ('name = "p"\nstage = [1]', "stage: expected at least one"),
    ('name = "p"\nnmae = 1\n[[stage]]\nkind = "identity"', "unknown key 'nmae'; did you mean 'name'"),
    ('name = "p"\n[[stage]]\n', "stage 1: has no kind; expected kind"),
    ('name = "p"\n[[stage]]\nkind = "identty"', "unknown stage kind 'identty'; did you mean 'identity'"),
    (IDENTITY * 1 + '[[stage]]\nkind = "identity"', "'identity' is taken"),
    (IDENTITY + "optional = 1", "stage 1.optional: expected true or false"),
    (IDENTITY + 'after = "x"', "stage 1.after: expected a list"),
    (IDENTITY + 'after = ["link"]', "'link' is no earlier stage"),
    (IDENTITY + "parameters = 3", "stage 1.parameters: expected a table"),
    (IDENTITY + '[stage.parameters]\nclock_seconds = "x"', "clock_seconds: expected a number"),
    (IDENTITY + "[stage.parameters]\nclock_seconds = nan", "clock_seconds: expected"),
    (IDENTITY + "[stage.parameters]\nclock_seconds = -1e9", "clock_seconds: expected"),
    (IDENTITY + "[stage.parameters]\nclock = 1", "unknown key 'clock'"),
    (IDENTITY + "[stage.limits]\nnosuch = {max = 1}", "takes no reading 'nosuch'"),
    (IDENTITY + "[stage.limits]\nstack_free = {least = 1}", "unknown key 'least'"),
    (IDENTITY + "[stage.limits]\nstack_free = {min = true}", "min: expected a number"),
    (IDENTITY + "[stage.limits]\nstack_free = {min = 2, max = 1}", "min 2 is above max 1"),
    (IDENTITY + "[stage.margins]\nstack_free = {margin = 0}", "positive number"),
    ('name = "p"\n[[stage]]\nkind = "throttle_ramp"', "throttle_ramp needs an earlier stage"),
    ("= [", "not TOML"),
    (b"\xff\xfe", "not UTF-8 text"),
    ("a = " + "[" * 3000, "not TOML"),
]


@pytest.mark.parametrize(("text", "says"), PROCEDURES, ids=range(len(PROCEDURES)))
def test_procedures(text: str | bytes, says: str, said: Said, file: Callable[[str | bytes], Path]) -> None:
    path = file(text)
    sentence = said("run", path)

    assert str(path) in sentence
    assert says in sentence


BENCHES = [
    ("= [", "TOML"),
    (b"\xff", "UTF-8"),
    ("nosuch = 1\n", "nosuch: unknown key; known are name"),
    ("kid = 'sim'\n", "kid: unknown key; did you mean kind?"),
    ("[board.hand]\n", "pair: expected the pair file"),
    ("pair = 'mudlrk'\n", "pair 'mudlrk': no such file and no known pair; did you mean mudlark?"),
    ('kind = "real"\n[board.hand]\n', "kind"),
    ("seed = 1.5\n[board.hand]\n", "seed"),
    ('[board.hand]\nlabel = "a label that is far too long"\n', "board.hand.label"),
    ('pair = "mudlark"\n[board.hand]\nlabel = "same"\n[board.craft]\nlabel = "same"\n', "another label"),
    ('pair = "mudlark"\n[board.hand.settings]\nlabel = "x\\u0000y"\n', "settings.label: expected a text of at most 16"),
    ("[board.boat]\n", "boat: unknown name; known are hand, craft, gauge"),
    ("[board.hand]\nclock_hz = 3\n", "clock_hz"),
    ("board = 3\n", "board"),
    ("[board.hand.oscillator]\nppm = nan\n", "ppm"),
    ('[board.hand.oscillator]\nppm = "fast"\n', "ppm"),
]


@pytest.mark.parametrize(("text", "says"), BENCHES, ids=range(len(BENCHES)))
def test_bench_files(text: str | bytes, says: str, said: Said, file: Callable[[str | bytes], Path]) -> None:
    sentence = said("run", "radio-link", "--bench", file(text))

    assert "bad.toml" in sentence or "mudlrk" in sentence
    assert says in sentence


ANSWERS = [
    ("= [", "not TOML"),
    (b"\xff", "not TOML"),
    ("identity = 3", "identity: expected a table"),
    ("[identity]\nblinks = true", "identity.blinks: expected a text, a number or a list"),
    ("[identity]\nblinks = [1, {}]", "identity.blinks: expected"),
]


@pytest.mark.parametrize(("text", "says"), ANSWERS, ids=range(len(ANSWERS)))
def test_answers(text: str | bytes, says: str, said: Said, file: Callable[[str | bytes], Path], tmp_path: Path) -> None:
    sentence = said(*RUN, "--out", tmp_path / "runs", "--answers", file(text))

    assert says in sentence
    assert "bad.toml" in sentence


@pytest.mark.parametrize("text", ["", "hello", ":00000001FG", b"\x7fELF", b"\x7fELF" + bytes(60)])
def test_images(text: str | bytes, said: Said, file: Callable[[str | bytes], Path]) -> None:
    need_avr()
    assert "bad.toml" in said("run", "radio-link", "--bench", "avr", "--image", f"hand={file(text)}")


def test_reports_that_cannot_be_written(said: Said, run: Path) -> None:
    assert "--out /proc/nosuch: cannot be written" in said("report", run, "--out", "/proc/nosuch")
    assert "--out /proc/nosuch: cannot be written" in said("label", run, "--board", "hand", "--out", "/proc/nosuch")
    assert "the run has no board 'nosuch'; it has mudlark-hand-01" in said("label", run, "--board", "nosuch")
