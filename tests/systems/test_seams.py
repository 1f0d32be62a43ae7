"""Each seam to the operating system, on each of the three: the branch of a system that this is not, by stand-ins.

Locks are in `test_locks.py`, sentences about ports in `ports/test_access.py`, imports in `test_other_systems.py`.
"""

from __future__ import annotations

import importlib
import os
import stat
import sys
import time
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace

import pytest
from platformdirs.macos import MacOS
from platformdirs.unix import Unix
from platformdirs.windows import Windows

from benchctl import preferences, signals
from benchctl.errors import RecordLost, UsageError
from benchctl.flash import find_programmer
from benchctl.operate import default_root
from benchctl.ports import clock, outlets
from benchctl.ports.line import DescriptorLine, PolledLine, line_for
from benchctl.runs.folder import RunFolder
from benchctl.runs.samples import sync_folder

SYSTEMS = ("linux", "darwin", "win32")


@pytest.fixture(params=SYSTEMS)
def system(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(sys, "platform", request.param)
    return str(request.param)


def test_how_to_install_the_programmer(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchctl.flash.shutil.which", lambda name: None)
    with pytest.raises(UsageError) as told:
        find_programmer()

    assert ("apt install avrdude" in str(told.value)) is (system == "linux")
    assert "avrdude" in str(told.value)


def test_names_in_a_folder_are_put_on_disk_where_the_system_can(
    system: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX, fsync: "calling fsync() does not necessarily ensure that the entry in the directory … has also reached
    disk" (fsync(2)). Windows opens no folder."""
    opened: list[object] = []

    def refused(*where: object) -> int:
        opened.append(where)
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    if system == "win32":
        sync_folder(tmp_path)
        assert opened == []
    else:
        with pytest.raises(RecordLost, match="Permission denied"):
            sync_folder(tmp_path)


def test_a_sealed_run_is_read_only(system: str, tmp_path: Path) -> None:
    """Windows has no such mode of a folder; its files are read-only there too."""
    folder = RunFolder.create(tmp_path / "run")
    before = stat.S_IMODE(folder.path.stat().st_mode)
    folder.seal()
    sealed = stat.S_IMODE(folder.path.stat().st_mode)
    folder.path.chmod(0o755)

    assert sealed == (before if system == "win32" else 0o555)
    assert all(not p.stat().st_mode & 0o222 for p in folder.path.glob("manifest.json"))


def test_the_clock_that_runs_on_through_a_suspend(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux counts it by a clock of its own, macOS and Windows have none in Python's `time`."""
    monkeypatch.setattr(clock, "time", SimpleNamespace(
        monotonic=lambda: 1.0, **({"clock_gettime": {7: 2.0}.get, "CLOCK_BOOTTIME": 7} if system == "linux" else {})
    ))  # fmt: skip

    assert clock._running_on() == (2.0 if system == "linux" else 1.0)
    assert time.monotonic() > 1.0


def test_a_line_is_waited_for_by_its_descriptor_where_that_can_be(system: str) -> None:
    """Windows selects on sockets only (Python's `select`)."""
    end, other = os.pipe()
    try:
        wire = SimpleNamespace(settimeout=lambda s: None, setsockopt=lambda *what: None)
        line = line_for(SimpleNamespace(fileno=lambda: end, _socket=wire))
        assert isinstance(line, PolledLine if system == "win32" else DescriptorLine)
    finally:
        os.close(end)
        os.close(other)


def test_served_boards_are_pseudo_terminals_where_there_are_some(system: str) -> None:
    if system == "win32":
        with pytest.raises(UsageError, match="--tcp"):
            outlets.PtyOutlet()
        assert outlets.speed_of(0) is None
        return
    outlet = outlets.PtyOutlet()
    try:
        assert not outlet.look()
        assert (outlet.speed() is None) is (system == "darwin")
    finally:
        outlet.close()


@pytest.mark.parametrize(
    ("system", "names"),
    [
        ("linux", ("SIGINT", "SIGTERM", "SIGHUP")),
        ("darwin", ("SIGINT", "SIGTERM", "SIGHUP")),
        ("win32", ("SIGINT", "SIGTERM", "SIGBREAK")),
    ],
)
def test_every_signal_that_ends_a_program_stops_the_run(
    system: str, names: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names: Python's `signal`, "Availability". A closed terminal is told as such where the system tells it."""
    numbers = {name: 90 + n for n, name in enumerate(names)}
    taken: list[int] = []
    fake = SimpleNamespace(
        signal=lambda number, act: taken.append(number), set_wakeup_fd=lambda fd, warn_on_full_buffer: None, **numbers
    )
    monkeypatch.setattr(signals, "signal", fake)
    told: SimpleQueue[str] = SimpleQueue()
    listener = signals._Listener()
    listener.take_over(told.put)
    listener._told.send(bytes(numbers.values()))

    assert sorted(taken) == sorted(numbers.values())
    assert [told.get(timeout=60) for _ in names] == ["closed" if name == "SIGHUP" else "signal" for name in names]


@pytest.mark.parametrize(
    ("dirs", "config", "data"),
    [
        (Unix, "{home}/.config/benchctl/benchctl.toml", "{home}/.local/share/benchctl/runs"),
        (Windows, "{home}/Local/benchctl/benchctl.toml", "{home}/Local/benchctl/runs"),
        (MacOS, "{home}/Library/Application Support/benchctl/benchctl.toml", "{home}/Library/Application Support/benchctl/runs"),
    ],
)  # fmt: skip
def test_settings_and_runs_lie_where_the_system_keeps_such_things(
    dirs: type, config: str, data: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8; Apple's File System Programming Guide, "Application Support"; Windows' known
    folder for what stays on this machine."""
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(importlib.import_module("platformdirs"), "PlatformDirs", dirs)

    monkeypatch.setattr("platformdirs.windows.get_win_folder", lambda name: str(tmp_path / "Local"))

    assert str(preferences.path()) == config.format(home=tmp_path)
    assert str(default_root()) == data.format(home=tmp_path)
