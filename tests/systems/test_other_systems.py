"""What the other systems lack: all of the package is imported, and a run made and listed, without it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.long
@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_all_is_imported_and_a_run_is_made(system: str, tmp_path: Path) -> None:
    program = Path(__file__).with_name("as_system.py")
    done = subprocess.run([sys.executable, str(program), system, str(tmp_path)], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    assert int(done.stdout.split(maxsplit=1)[0]) > 300
    assert "✓ PASS: one on mudlark" in done.stdout
    assert len(list((tmp_path / "runs").glob("*/manifest.json"))) == 1


@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_what_is_taken_away_is_taken_away(system: str) -> None:
    """Else the test above could not fail: a module is refused, a name is gone."""
    code = (
        "import sys, os, as_system\n"
        "sys.meta_path.insert(0, as_system.Taken(as_system.MODULES[sys.argv[1]]))\n"
        "for name in as_system.MODULES[sys.argv[1]]:\n"
        "    sys.modules.pop(name, None)\n"
        "    try:\n        __import__(name)\n    except ModuleNotFoundError:\n        continue\n"
        "    sys.exit(name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, system], cwd=Path(__file__).parent, capture_output=True, text=True)

    assert done.returncode == 0, done.stderr
