"""The completion scripts, by the shells themselves: what each offers for the last word of a line."""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from needs import need_program

from benchctl import cli, completion

ZSH = Path(__file__).parent / "complete.zsh"
Offered = Callable[[str], set[str]]


def _bash(script: Path, line: str) -> list[str]:
    words = line.split(" ")
    quoted = " ".join(shlex.quote(w) for w in words)
    code = (
        f"source {shlex.quote(str(script))}; COMP_WORDS=({quoted}); COMP_CWORD={len(words) - 1}; "
        f"COMP_LINE={shlex.quote(line)}; COMP_POINT={len(line)}; "
        "f=$(complete -p benchctl | sed 's/.*-F \\([^ ]*\\).*/\\1/'); $f benchctl; printf '%s\\n' \"${COMPREPLY[@]}\""
    )
    done = subprocess.run(["bash", "-c", code], cwd=script.parent, capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


def _fish(script: Path, line: str) -> list[str]:
    """What is told beside a word stands behind a tabulator."""
    code = f"source {shlex.quote(str(script))}; complete -C {shlex.quote(line)}"
    home = {**os.environ, "HOME": str(script.parent), "XDG_CONFIG_HOME": str(script.parent / "config")}
    done = subprocess.run(
        ["fish", "--no-config", "-c", code], cwd=script.parent, env=home, capture_output=True, text=True, check=True
    )
    return [one.partition("\t")[0] for one in done.stdout.splitlines()]


def _zsh(script: Path, line: str) -> list[str]:
    """Its editor wants a terminal."""
    import pty

    functions, found = script.parent / "functions", script.parent / "found"
    functions.mkdir()
    (functions / "_benchctl").write_bytes(script.read_bytes())
    (functions / ".zshrc").write_bytes(ZSH.read_bytes())
    around = {"PATH": os.environ["PATH"], "HOME": str(functions), "ZDOTDIR": str(functions), "TERM": "dumb",
              "FUNCTIONS": str(functions), "FOUND": str(found), "LINE": line}  # fmt: skip
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        ["zsh", "-d", "-i"], stdin=theirs, stdout=theirs, stderr=theirs, cwd=script.parent, env=around,
        start_new_session=True,
    ):  # fmt: skip
        os.close(theirs)
        try:
            while os.read(ours, 4096):  # what it draws is of no interest
                pass
        except OSError:  # the other end is gone
            pass
        finally:
            os.close(ours)
    return found.read_text().splitlines() if found.exists() else []


SHELLS = {"bash": _bash, "zsh": _zsh, "fish": _fish}


@pytest.fixture(params=completion.SHELLS)
def offered(request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Offered:
    """offered(line): the words, in a folder that holds nothing but my-pair.toml."""
    shell = str(request.param)
    need_program(shell)
    assert cli.main(["completion", shell]) == 0
    script = tmp_path / "here" / f".completion.{shell}"
    script.parent.mkdir()
    script.write_text(capsys.readouterr().out)
    (script.parent / "my-pair.toml").touch()
    return lambda line: {word.strip() for word in SHELLS[shell](script, line)} - {""}


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("benchctl ru", {"run", "runs"}),
        ("benchctl run --na", set()),
        ("benchctl run --nob", {"--nobody"}),
        ("benchctl run bring", {"bring-up"}),
        ("benchctl run bring-up --bench weak", {"weak-capacitor", "weak-regulator", "weak-source", "weak-usb"}),
        ("benchctl run bring-up --pair mudlark-", {"mudlark-low-volt", "mudlark-modules"}),
        ("benchctl report --format j", {"json", "junit"}),
        ("benchctl bench se", {"serve"}),
        ("benchctl run my", {"my-pair.toml"}),
        ("benchctl report x --out my", {"my-pair.toml"}),
    ],
)
def test_a_shell_completes(offered: Offered, line: str, words: set[str]) -> None:
    assert offered(line) == words


def test_names_that_a_shell_would_take_apart_are_not_offered(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("benchctl.pairfile.own", lambda: {"two words": Path(), "$(touch x)": Path(), "mine.2": Path()})
    for shell in completion.SHELLS:
        assert cli.main(["completion", shell]) == 0
        script = capsys.readouterr().out
        assert "mine.2" in script
        assert "two words" not in script
        assert "touch" not in script
