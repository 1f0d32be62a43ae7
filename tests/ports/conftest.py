"""Leak check: no port and no thread of ours is left open by a test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchctl.ports.port import still_open


@pytest.fixture(autouse=True)
def nothing_left_open() -> Iterator[None]:
    """A test that leaves a port open fails."""
    yield

    assert still_open() == []
