"""The two pages: they stay short, and what they name is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from test_layers import RANKS

from benchctl import arguments
from tests.campaigns import published

ROOT = Path(__file__).parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")
#: kB
MOST_DEVELOPERS, MOST_PICTURE = 12, 300


def table(page: str, head: str) -> list[list[str]]:
    """The cells of the table whose first row is so."""
    lines = page[page.index(head) :].splitlines()
    rows = lines[: next((i for i, one in enumerate(lines) if not one), len(lines))]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]


def test_the_contributors_page_stays_short() -> None:
    assert len(DEVELOPERS.encode()) <= 1000 * MOST_DEVELOPERS


def test_its_ranks_are_those_that_are_held() -> None:
    told = {
        module: int(rank)
        for rank, modules, _ in table(DEVELOPERS, "| rank | modules |")
        for module in re.findall(r"`(\w+)`", modules)
    }

    assert told == {name: rank for name, rank in RANKS.items() if not name.startswith("__")}


def test_files_that_it_names_are_there() -> None:
    """Below the repository, or below the package."""
    named = re.findall(r"`([\w.]+(?:/[\w.]+)+/?)`", DEVELOPERS)

    assert len(named) > 30
    assert [n for n in named if not (ROOT / n).exists() and not (ROOT / "benchctl" / n).exists()] == []


@pytest.mark.parametrize("row", table(DEVELOPERS, "| what | goal |"), ids=lambda row: row[0])
def test_key_figures_are_those_of_the_results(row: list[str]) -> None:
    _what, _goal, found, file = row

    assert re.search(rf"(?<![\d.]){re.escape(found)}(?![\d.]\d)", published.path(file).read_text("utf-8"))


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=["readme", "developers"])
def test_links_lead_somewhere(page: str) -> None:
    linked = [target for target in re.findall(r"\]\(([^)]+)\)", page) if "://" not in target]

    assert [target for target in linked if not (ROOT / target.partition("#")[0]).exists()] == []


@pytest.mark.parametrize("name", ["run.svg", "report.png"])
def test_pictures_are_small_and_load_nothing(name: str) -> None:
    """The drawn screen names no other file; one command draws both."""
    file = ROOT / ".pictures" / name

    assert f".pictures/{name}" in README
    assert file.stat().st_size <= 1000 * MOST_PICTURE
    if file.suffix == ".svg":
        assert not re.search(r"(?:href|src)=[\"'](?!#)|url\((?!#)|@import", file.read_text("utf-8"))


def test_every_command_of_the_readme_is_taken() -> None:
    """What a reader may type, without the explanation beside it."""
    typed = re.findall(r"^    (?:\S+/)?benchctl((?: \S+)*)", README, re.M)
    parser = arguments._parser()

    assert len(typed) >= 6
    for words in typed:
        if words:
            parser.parse_args(words.split())


def test_the_readmes_test_command_runs_the_short_part() -> None:
    """As pyproject.toml has it; the long part is asked for by its mark."""
    options = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["pytest"]["ini_options"]

    assert "-m 'not long'" in options["addopts"]
    assert "&& .venv/bin/python -m pytest\n" in README
    assert "\npython -m pytest\n" in (ROOT / ".ci" / "run").read_text("utf-8")
