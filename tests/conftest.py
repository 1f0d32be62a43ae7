"""Fixtures and leak checks, and in how many processes the tests run."""

import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import always_watched
from fair_time import fair_time
from needs import need

from benchctl.benchfile.harm_kinds import HarmKind

always_watched.install()

#: more would wait for each other: some tests run in real time
MOST_PROCESSES = 4
#: folders of tests that share runs of whole procedures; of the second ones all files share them
LONG_RUNS = ("findings", "benches", "gauge", "marks", "stages")
ONE_PROCESS = ("findings",)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One process a processor for the whole suite; 0, none but this, for files or folders named on the command line."""
    if config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_PROCESSES) if cores > 1 else 0


def pytest_configure(config: pytest.Config) -> None:
    """Compiled modules are kept beside the suite's cache, also where the environment forbids it: the other processes
    of the suite and the programs that tests start would compile everything anew."""
    cache = getattr(config, "cache", None)
    if not hasattr(config, "workerinput") and cache is not None:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        sys.dont_write_bytecode = False
        sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"] = str(cache.mkdir("compiled"))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A file stays in one process with the runs that its tests share; of some folders all files do."""
    from xdist.scheduler import LoadFileScheduling

    class BySharedRuns(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.partition("::")[0]
            folder = file.rpartition("/")[0]
            return folder if folder.rpartition("/")[2] in ONE_PROCESS else file

    return BySharedRuns(config, log)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """What is imported and collected stays: the collector of garbage need not look at it, now or in any test."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Of the whole suite, folders with long runs first, so that no process is left alone with one of them at the end."""
    if config.args_source is pytest.Config.ArgsSource.TESTPATHS:
        names = {name: n for n, name in enumerate(LONG_RUNS)}
        items.sort(key=lambda item: names.get(item.path.parent.name, len(names)))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Before any fixture of the test: what it is marked to need."""
    for mark in item.iter_markers("needs"):
        need(*mark.args)


@pytest.fixture(scope="session", autouse=True)
def nothing_of_the_users(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Runs, references and preferences in folders of the session's own, for child processes as well."""
    home = tmp_path_factory.mktemp("home")
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        os.environ[name] = str(home / name.lower())


@pytest.fixture
def fair_seconds() -> Iterator[None]:
    """Time-outs on real lines count a busy machine's turns, see `fair_time`."""
    with fair_time():
        yield


@pytest.fixture(autouse=True)
def nothing_is_hurt(request: pytest.FixtureRequest) -> Iterator[None]:
    """Every modelled bench, opened in this test or before, keeps its harm log empty and its pulses in bounds."""
    yield
    meant = {HarmKind(kind) for mark in request.node.iter_markers("harm") for kind in mark.args}
    found = always_watched.complaints(meant, request.node.get_closest_marker("pulses") is not None)
    if found:
        pytest.fail("\n".join(found), pytrace=False)
