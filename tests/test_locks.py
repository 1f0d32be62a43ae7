"""Locks between processes: each system's way, and that of several processes none loses what another wrote."""

from __future__ import annotations

import errno
import subprocess
import sys
import types
from pathlib import Path
from typing import Any

import pytest

from benchctl.locks import locked, try_lock
from benchctl.runs.folder import RunFolder
from benchctl.runs.history import References

ROOT = Path(__file__).parents[1]


def msvcrt(tries: list[int], busy: int, number: int = errno.EDEADLK) -> Any:
    """A stand-in with the two calls that are used, as the standard library's pages tell: busy so many times."""
    fake = types.ModuleType("msvcrt")

    def locking(descriptor: int, mode: int, count: int) -> None:
        assert descriptor > 0
        assert count == 1
        tries.append(mode)
        if len(tries) <= busy:
            raise OSError(number, "busy")

    fake.LK_LOCK, fake.LK_NBLCK, fake.locking = 1, 2, locking  # type: ignore[attr-defined]
    return fake


def test_windows_locks_a_byte(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    tries: list[int] = []
    monkeypatch.setitem(sys.modules, "msvcrt", msvcrt(tries, busy=1, number=errno.EACCES))
    with open(tmp_path / "x", "ab", buffering=0) as file:
        assert [try_lock(file, "win32"), try_lock(file, "win32")] == [False, True]
    assert tries == [2, 2]


def test_windows_waits_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The system gives up after ten seconds; we do not. What is no wait is told."""
    tries: list[int] = []
    monkeypatch.setitem(sys.modules, "msvcrt", msvcrt(tries, busy=3))
    with locked(tmp_path / "x", "win32"):
        assert tries == [1, 1, 1, 1]
    monkeypatch.setitem(sys.modules, "msvcrt", msvcrt([], busy=1, number=errno.ENOLCK))
    with pytest.raises(OSError, match="busy"), locked(tmp_path / "x", "win32"):
        pass


def test_linux_and_macos_lock_by_flock(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="a module of POSIX systems")
    for system in ("linux", "darwin"):
        with locked(tmp_path / system, system), open(tmp_path / system, "ab", buffering=0) as file:
            assert not try_lock(file, system)
        with open(tmp_path / system, "ab", buffering=0) as file:
            assert try_lock(file, system)


_SETS = """
import sys
from pathlib import Path
from benchctl.runs.history import References
for n in range(20):
    References(Path(sys.argv[1])).set(f"{sys.argv[2]}-{n}", "probe", "a")
"""


def test_references_of_several_processes_are_all_kept(tmp_path: Path) -> None:
    """Each reads, adds and writes the whole file."""
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "events.jsonl").touch()
    several = [subprocess.Popen([sys.executable, "-c", _SETS, str(tmp_path), str(k)], cwd=ROOT) for k in range(3)]

    assert [p.wait() for p in several] == [0, 0, 0]
    assert len(References(tmp_path).all()) == 60


_HOLDS = """
import sys
from pathlib import Path
from benchctl.runs.folder import RunFolder
with RunFolder.create(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_lock_ends_with_its_process(tmp_path: Path) -> None:
    """Also with one that was killed."""
    from benchctl.runs.folder import being_written

    with subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(tmp_path / "run")], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"held"
        assert being_written(tmp_path / "run")
        process.kill()
        process.wait()
    assert not being_written(tmp_path / "run")
    RunFolder.create(tmp_path / "run").close()
