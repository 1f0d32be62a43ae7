"""The user's defaults: no file, a right file, and wrong ones in one sentence each."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchctl import preferences
from benchctl.errors import UsageError


def test_no_file_means_the_built_in_defaults(tmp_path: Path) -> None:
    assert preferences.load(tmp_path / "none.toml") == preferences.Preferences()


def test_a_right_file(tmp_path: Path) -> None:
    file = tmp_path / "p.toml"
    file.write_text('bench = "avr"\nruns = "~/mudlark"\nspeed = 10\n')

    got = preferences.load(file)

    assert (got.bench, got.runs, got.speed) == ("avr", Path("~/mudlark").expanduser(), 10.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("speed = -1", "speed: expected a number from 0"),
        ("speed = true", "speed: expected a number"),
        ("bench = 3", "bench: expected a text"),
        ("look = 'green'", "look: expected one of dark, light, terminal"),
        ("ports = 'COM3'", "ports: expected a list of texts"),
        ("ports = [3]", "ports: expected a list of texts"),
        ("benhc = 'sim'", "unknown key 'benhc'"),
        ("bench = ", "not TOML"),
    ],
)
def test_a_wrong_file_is_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "p.toml"
    file.write_text(text)

    with pytest.raises(UsageError, match=said) as caught:
        preferences.load(file)
    assert str(file) in str(caught.value)


def test_ports_that_the_system_does_not_list(tmp_path: Path) -> None:
    """Patterns stand for what is there at the moment, URLs for themselves; nothing is there twice."""
    file = tmp_path / "p.toml"
    file.write_text(f"ports = ['{tmp_path}/port*', '{tmp_path}/port2', 'socket://127.0.0.1:7000']")
    for name in ("port2", "port1", "other"):
        (tmp_path / name).touch()

    got = preferences.load(file).more_ports()

    assert got == [f"{tmp_path}/port1", f"{tmp_path}/port2", "socket://127.0.0.1:7000"]


def test_a_choice_is_remembered_and_the_rest_of_the_file_kept(tmp_path: Path) -> None:
    file = tmp_path / "folder" / "p.toml"
    preferences.remember(file, "speed", 0.0)
    assert preferences.load(file).speed == 0.0

    file.write_text("# mine\nbench = 'avr'  # usual\nspeed = 3\n")
    preferences.remember(file, "look", "light")
    preferences.remember(file, "speed", 10.0)

    assert preferences.load(file) == preferences.Preferences("avr", None, 10.0, "light")
    assert file.read_text().startswith("# mine\nbench = 'avr'  # usual\n")
    assert file.read_text().count("speed") == 1


def test_a_wrong_file_is_not_overwritten(tmp_path: Path) -> None:
    file = tmp_path / "p.toml"
    file.write_text("bench = ")

    with pytest.raises(UsageError, match="not TOML"):
        preferences.remember(file, "speed", 1.0)
    assert file.read_text() == "bench = "
