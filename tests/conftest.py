"""Fixtures and leak checks, and in how many processes the tests run."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

#: more would wait for each other: some tests run in real time
MOST_PROCESSES = 4
#: s: what a test may take that says nothing of it
USUAL_S = 120


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One process a processor for the whole suite; 0, none but this, for files or folders named on the command line."""
    if config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_PROCESSES) if cores > 1 else 0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with tests that may take long first, so that no process is left alone with one of them at the end."""
    allowed = {item: item.get_closest_marker("timeout") for item in items}
    long = {item.path for item, mark in allowed.items() if mark is not None and mark.args and mark.args[0] > USUAL_S}
    items.sort(key=lambda item: item.path not in long)


@pytest.fixture(scope="session", autouse=True)
def nothing_of_the_users(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Runs, references and preferences in folders of the session's own, for child processes as well."""
    home = tmp_path_factory.mktemp("home")
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        os.environ[name] = str(home / name.lower())
