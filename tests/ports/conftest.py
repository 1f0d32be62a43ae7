"""Leak check: no port and no thread of ours is left open by a test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchctl.ports import loader
from benchctl.ports.port import still_open

#: as shipped; most tests ask for no boot loader, which takes a second or two a silent port
SPEEDS = loader.SPEEDS


@pytest.fixture(autouse=True)
def no_loader_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loader, "SPEEDS", ())


@pytest.fixture(autouse=True)
def nothing_left_open(fair_seconds: None) -> Iterator[None]:
    """A test that leaves a port open fails."""
    yield

    assert still_open() == []
