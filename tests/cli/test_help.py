"""The manual: every command has examples that the parser takes, every code and variable is told, 80 columns are enough."""

from __future__ import annotations

import ast
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchctl
from benchctl import arguments, errors, manual
from benchctl.cli import main
from benchctl.terms import Verdict

COMMANDS = dict(arguments._commands(arguments._parser()))
GROUPS = ("bench", "reference")
LINES = [(command, line) for command, rows in manual.EXAMPLES.items() for line, _ in rows]


@pytest.fixture(autouse=True)
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


@pytest.mark.parametrize("command", [c for c in COMMANDS if c not in GROUPS])
def test_every_command_has_examples_and_says_its_codes(command: str) -> None:
    text = COMMANDS[command].format_help()

    assert manual.EXAMPLES[command]
    assert "examples:" in text
    assert "exit codes: 0 pass, 1 fail, 2 wrong usage or input, 3 not decided" in text
    assert max(map(len, text.splitlines())) <= 80


def test_nothing_is_told_of_commands_that_do_not_exist() -> None:
    assert set(manual.EXAMPLES) <= set(COMMANDS)


@pytest.mark.parametrize(("command", "line"), LINES)
def test_every_example_is_taken(command: str, line: str) -> None:
    """What is printed can be typed; shell words round it are the shell's."""
    words = shlex.split(line.removeprefix('eval "$(').removesuffix(')"').partition(" > ")[0])
    parsed = arguments._parser().parse_args(words[1:])

    assert words[0] == "benchctl"
    assert callable(parsed.command)
    assert " ".join(words[1:]).startswith(command)


@pytest.mark.parametrize("topic", list(manual.TOPICS))
def test_every_topic_fits_80_columns(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", topic]) == 0
    text = capsys.readouterr().out

    assert text.startswith(topic.upper())
    assert max(map(len, text.splitlines())) <= 80


def test_the_whole_manual_has_every_topic_and_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help"]) == 0
    text = capsys.readouterr().out

    assert all(text.count(f"{t.upper()}: ") == 1 for t in manual.TOPICS)
    assert all(line in text for _, line in LINES)


def test_help_on_a_command_is_that_commands_help(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("run", "bench serve", "reference"):
        assert main(["help", *command.split()]) == 0
        assert capsys.readouterr().out == COMMANDS[command].format_help()


def test_help_on_what_there_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", "soldering"]) == 2
    assert "help soldering: expected a command, or one of start, pairs, benches" in capsys.readouterr().err


def test_exit_codes_are_those_that_occur() -> None:
    used = {c.exit_code for c in vars(errors).values() if isinstance(c, type) and hasattr(c, "exit_code")}

    assert used | {v.exit_code for v in Verdict} == set(manual.EXIT_CODES)


def read_from_environment() -> Iterator[str]:
    """Names that our code looks up in os.environ."""
    for path in Path(benchctl.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            text = ast.unparse(node) if isinstance(node, ast.Compare | ast.Call | ast.Subscript) else ""
            if "os.environ" in text:
                yield from (n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and str(n.value).isupper())


def test_every_variable_that_is_read_is_told() -> None:
    found = set(read_from_environment())

    assert found >= {"NO_COLOR", "COLORFGBG"}
    assert found <= set(manual.ENVIRONMENT)
