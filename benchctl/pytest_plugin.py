"""Fixtures for tests of one's own: a bench, its boards, the gauge; `benchctl help pytest` tells how.

Loaded by pytest through its entry point; the package's own modules are imported by the fixtures alone.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from benchctl.library.boards import OpenBoard
    from benchctl.library.gauge import Gauge
    from benchctl.library.opened import OpenBench

#: marker, and what it may name besides a role
NEEDS = "bench_needs"
KINDS = ("modelled", "real", "sim", "avr")
ROLES = ("hand", "craft", "gauge")
KNOWN = (*ROLES, *KINDS, "person", "motor")
#: the benches that a test has opened
_OPENED = pytest.StashKey[list["OpenBench"]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options, each with an ini value that a repository can keep."""
    group = parser.getgroup("benchctl", "radio-control boards under test")
    group.addoption("--bench", metavar="BENCH", help="sim, avr, ports, a shipped bench, or a bench file")
    group.addoption("--bench-pair", metavar="PAIR", help="what is soldered: a pair's name or a pair file")
    group.addoption("--bench-image", action="append", metavar="ROLE=FILE", help="firmware for the avr bench")
    group.addoption("--bench-seed", metavar="N", help="of all chance on a modelled bench (1)")
    group.addoption("--bench-runs", metavar="DIR", help="where runs are kept; the usual place unless told")
    group.addoption("--bench-person", action="store_true", help="ask whoever sits at the terminal; needs -s")
    parser.addini("bench", "as --bench", default="sim")
    parser.addini("bench_pair", "as --bench-pair", default="")
    parser.addini("bench_images", "as --bench-image, one a line", type="linelist", default=[])
    parser.addini("bench_seed", "as --bench-seed", default="1")
    parser.addini("bench_runs", "as --bench-runs", default="")


def pytest_configure(config: pytest.Config) -> None:
    """The marker is known, also to --strict-markers."""
    config.addinivalue_line(
        "markers", f"{NEEDS}(*what): skip where the bench lacks it; what: {', '.join(KNOWN)}"
    )  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A misspelt need is an error, not a test that always runs."""
    for item in items:
        for what in _needs(item):
            if what not in KNOWN:
                raise pytest.UsageError(f"{item.nodeid}: {NEEDS}({what!r}): expected some of {', '.join(KNOWN)}")


def _needs(item: pytest.Item) -> list[object]:
    return [what for mark in item.iter_markers(NEEDS) for what in mark.args]


# ---------------------------------------------------------------------- fixtures


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[OpenBench]:
    """The bench that the options name, open for this test; every output idle and every port closed after it."""
    from benchctl.errors import BenchctlError

    needs = _needs(request.node)
    try:
        opened = _open(request.config, needs)
    except BenchctlError as e:
        pytest.fail(str(e), pytrace=False)
    with opened:
        lacking = _lacking(opened, needs)
        if lacking:
            pytest.skip(lacking)
        request.node.stash.setdefault(_OPENED, []).append(opened)
        yield opened


@pytest.fixture
def boards(bench: OpenBench) -> Mapping[str, OpenBoard]:
    """The bench's boards by role."""
    return bench.boards


@pytest.fixture
def gauge(bench: OpenBench) -> Gauge:
    """The bench's gauge; the test is skipped where there is none."""
    if "gauge" not in bench.boards:
        pytest.skip(_no_board(bench, "gauge"))
    return bench.gauge


def _open(config: pytest.Config, needs: list[object]) -> OpenBench:
    from benchctl import benchfile
    from benchctl.library.opened import open_bench

    name, pair = _file(config, "bench"), _file(config, "bench_pair")
    real = name == "ports" or benchfile.load(name, pair).kind not in ("sim", "avr")
    if real and ("modelled" in needs or "sim" in needs or "avr" in needs):
        pytest.skip(f"needs a modelled bench, and {name} is one of real boards")
    if real and getattr(config, "workerinput", {}).get("workercount", 1) > 1:
        pytest.fail("real boards are used by one process at a time: leave -n out, or -n 1", pytrace=False)
    person = bool(config.getoption("--bench-person"))
    return open_bench(
        name,
        pair=pair,
        seed=None if real else _seed(config),
        images=_images(config),
        runs=_value(config, "bench_runs") or None,
        person=person and real,
    )


def _lacking(bench: OpenBench, needs: list[object]) -> str:
    """Which need of a test is not met, "" when all are."""
    nobody = not bench.attended
    for what in needs:
        if what in ROLES and what not in bench.boards:
            return _no_board(bench, str(what))
        if what in ("person", "motor") and nobody:
            return f"needs somebody who answers ({what}): run with --bench-person -s and stay at the bench"
        if (what == "real" and bench.simulated) or (what in ("sim", "avr") and what != bench.kind):
            return f"needs a bench of kind {what}, and {bench.name} is {bench.kind}"
    return ""


def _no_board(bench: OpenBench, role: str) -> str:
    return f"needs a {role}, and bench {bench.name} has {', '.join(bench.boards) or 'no board'}"


# ---------------------------------------------------------------------- options


def _value(config: pytest.Config, name: str) -> str:
    given = config.getoption(f"--{name.replace('_', '-')}")
    return str(given if given is not None else config.getini(name))


def _file(config: pytest.Config, name: str) -> str:
    """A name, or a file: on the command line from where it is given, in the ini file from there."""
    given = config.getoption(f"--{name.replace('_', '-')}")
    return str(given) if given is not None else _beside(config, str(config.getini(name)))


def _beside(config: pytest.Config, name: str) -> str:
    beside = (config.inipath.parent if config.inipath is not None else Path()) / name
    return str(beside) if name and beside.is_file() else name


def _images(config: pytest.Config) -> dict[str, str]:
    given = config.getoption("--bench-image")
    out = {}
    for item in given if given is not None else config.getini("bench_images"):
        role, equals, file = str(item).partition("=")
        if not equals or role not in ROLES or not file:
            pytest.fail(f"--bench-image {item}: expected ROLE=FILE with ROLE one of {', '.join(ROLES)}", pytrace=False)
        out[role] = file if given is not None else _beside(config, file)
    return out


def _seed(config: pytest.Config) -> int:
    text = _value(config, "bench_seed")
    try:
        return int(text)
    except ValueError:
        pytest.fail(f"--bench-seed {text}: expected a whole number", pytrace=False)


# ---------------------------------------------------------------------- what a failed test shows


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Runs go into JUnit as properties; a failed test gets their readings, and a plot of what they are of."""
    report = yield
    opened = item.stash.get(_OPENED, [])
    if not opened or call.when != "call":
        return report
    for run in [run for bench in opened for run in bench.runs]:
        item.user_properties.append(("run", str(run.folder)))
        item.user_properties += [(name, reading.text()) for name, reading in run.readings().items()]
        if report.failed:
            report.sections += [(f"readings of {run.name}", run.told()), (f"plots of {run.name}", run.sketch())]
    return report
