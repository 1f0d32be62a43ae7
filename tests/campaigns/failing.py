"""A pytest plug-in: writes the tests that fail into a file, one a line, and goes on to the last."""

from __future__ import annotations

from pathlib import Path
from typing import Any


def pytest_addoption(parser: Any) -> None:
    parser.addoption("--failing", type=Path)


def pytest_configure(config: Any) -> None:
    config.option.maxfail = 0
    config.pluginmanager.register(_Writes(config.option.failing))


class _Writes:
    def __init__(self, path: Path) -> None:
        self.path = path

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            with self.path.open("a", encoding="utf-8") as file:
                print(report.nodeid, file=file)
