"""A disk that is full: while it lasts, no file of this process grows beyond so many bytes (RLIMIT_FSIZE)."""

from __future__ import annotations

import resource
import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def full_disk(most: int) -> Iterator[None]:
    """Around no more than the call under test: the test runner writes files, too."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
