"""What a test needs and the machine may lack: skipped, or failed where the environment says that it must be there."""

from __future__ import annotations

import importlib
import os
import shutil

import pytest


def need(reason: str | None) -> None:
    """Skip for that reason, if there is one; BENCHCTL_REQUIRE_AVR makes it a failure."""
    if reason and os.environ.get("BENCHCTL_REQUIRE_AVR"):
        pytest.fail(reason)
    if reason:
        pytest.skip(reason)


def needs(reason: str | None) -> pytest.MarkDecorator:
    """A mark that asks `need` before the test begins."""
    return pytest.mark.needs(reason or "")


def need_avr() -> None:
    """The simulator library, and what builds the bench's module against it."""
    from benchctl.avr.build_shim import available

    need(available())


def lacking(*programs: str) -> str:
    """Which of these programs the machine does not have, as a reason; "" for none."""
    absent = [name for name in programs if shutil.which(name) is None]
    return f"not installed: {', '.join(absent)}" if absent else ""


def need_program(name: str) -> None:
    """A program that the machine may lack."""
    need(lacking(name))


def need_module(name: str) -> None:
    """A module of the extra `test` that whoever passes the tests may not have installed."""
    try:
        importlib.import_module(name)
    except ImportError as e:
        need(f"module {name} is not there ({e}): pip install -e '.[test]'")
