"""The folder's own modules, and one recorded run for all."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from benchctl.cli import main


@pytest.fixture(autouse=True)
def signals_as_before():
    """A run takes the signals for itself."""
    import signal

    names = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    before = {n: signal.getsignal(n) for n in names}
    yield
    for n, handler in before.items():
        signal.signal(n, handler)


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole run of the radio link on the simulated pair."""
    root = tmp_path_factory.mktemp("runs")
    assert main(["run", "radio-link", "--quiet", "--seed", "5", "--out", str(root)]) == 0
    return next(root.iterdir())
