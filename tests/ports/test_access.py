"""Plain reasons: every way in which a port cannot be had becomes one sentence that says what to do."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from benchctl.ports import latency
from benchctl.ports.access import CannotOpen, Trouble, explain, holders, open_line

LINUX_ONLY = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells who has a file open")


@pytest.fixture
def pty() -> Iterator[str]:
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    yield name
    os.close(master)


def system_error(number: int) -> serial.SerialException:
    """What pyserial raises for a number of the system's."""
    return serial.SerialException(number, f"could not open port: [Errno {number}] {os.strerror(number)}")


@pytest.mark.parametrize(
    ("number", "trouble", "says"),
    [
        (errno.ENOENT, Trouble.MISSING, "there is no such port"),
        (errno.ENXIO, Trouble.MISSING, "there is no such port"),
        (errno.EACCES, Trouble.NO_PERMISSION, "no permission"),
        (errno.EBUSY, Trouble.BUSY, "in use by"),
        (errno.EAGAIN, Trouble.BUSY, "in use by"),
        (errno.ENOTTY, Trouble.UNFIT, "cannot be used as a serial port"),
        (errno.EILSEQ, Trouble.UNFIT, "cannot be used as a serial port"),
    ],
)
def test_system_errors_are_told_in_words(number: int, trouble: Trouble, says: str) -> None:
    """The error number decides; the sentence names the port and is one line."""
    told = explain("/dev/ttyUSB0", system_error(number))

    assert trouble is told.trouble
    assert says in told.sentence
    assert told.sentence.startswith("/dev/ttyUSB0: ")
    assert "\n" not in told.sentence


@pytest.mark.skipif(sys.platform == "win32", reason="no such device there")
def test_a_device_that_is_no_serial_port() -> None:
    """What the system says is repeated in its words, without numbers and brackets."""
    told = open_line("/dev/null", 500_000)

    assert isinstance(told, CannotOpen)
    assert told.sentence == f"/dev/null: cannot be used as a serial port ({os.strerror(errno.ENOTTY)})"


def test_permission_names_the_group_that_owns_the_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On Linux the sentence gives the command that lets the user in."""
    import grp

    device = tmp_path / "ttyUSB0"
    device.touch(mode=0o660)
    owner = next(g for g in grp.getgrall() if g.gr_gid != 0)
    os_stat = os.stat
    monkeypatch.setattr(os, "stat", lambda p, **k: _with_group(os_stat(p, **k), owner.gr_gid))
    told = explain(str(device), system_error(errno.EACCES), "linux")

    assert f"sudo usermod -aG {owner.gr_name} $USER" in told.sentence


def _with_group(state: os.stat_result, group: int) -> os.stat_result:
    return os.stat_result((*state[:5], group, *state[6:10]))


def test_permission_where_no_group_would_help(tmp_path: Path) -> None:
    """A device that its group may not use is not cured by joining the group."""
    device = tmp_path / "ttyUSB0"
    device.touch(mode=0o600)
    told = explain(str(device), system_error(errno.EACCES), "linux")

    assert "usermod" not in told.sentence
    assert "udev rule" in told.sentence


@pytest.mark.parametrize("system", ["darwin", "freebsd14"])
def test_permission_elsewhere(system: str) -> None:
    """Other systems get advice without commands of this one."""
    told = explain("/dev/cu.usbserial-1", system_error(errno.EACCES), system)

    assert Trouble.NO_PERMISSION is told.trouble
    assert "usermod" not in told.sentence


@pytest.mark.parametrize(
    ("text", "trouble"),
    [
        ("could not open port 'COM7': FileNotFoundError(2, 'not found', None, 2)", Trouble.MISSING),
        ("could not open port 'COM7': PermissionError(13, 'Access is denied.', None, 5)", Trouble.BUSY),
    ],
)
def test_windows_errors_carry_their_number_in_the_text(text: str, trouble: Trouble) -> None:
    """There "access is denied" means that another program has the port. Texts: pyserial 3.5, serialwin32, `open`."""
    assert trouble is explain("COM7", serial.SerialException(text), "win32").trouble


@LINUX_ONLY
@pytest.mark.parametrize("locked", [True, False])
def test_busy_names_the_other_program(pty: str, locked: bool) -> None:
    """A port that another process has open is refused by name, whether that process locked it or not."""
    script = (
        "import os, fcntl, sys\n"
        f"fd = os.open({pty!r}, os.O_RDWR | os.O_NOCTTY)\n"
        f"{'fcntl.flock(fd, fcntl.LOCK_EX)' if locked else ''}\n"
        "print('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        told = open_line(pty, 500_000)
        seen = holders(pty)
        other.communicate(b"")

    assert isinstance(told, CannotOpen)
    assert Trouble.BUSY is told.trouble
    assert f"process {other.pid}" in told.sentence
    assert [other.pid] == [h.pid for h in seen]


def test_holders_passes_over_what_it_may_not_see(tmp_path: Path) -> None:
    """Processes that end meanwhile, or belong to somebody else, are passed over."""
    (tmp_path / "123").mkdir()
    fds = tmp_path / "124" / "fd"
    fds.mkdir(parents=True)
    (fds / "3").symlink_to("/dev/ttyUSB0")
    (fds / "4").touch()

    assert [(h.pid, h.program) for h in holders("/dev/ttyUSB0", tmp_path)] == [(124, "a program")]


# ---------------------------------------------------------------------- latency timers


class Driver:
    """A port object whose driver lowers the timer when asked, or knows no such thing."""

    def __init__(self, timer: Path | None) -> None:
        self.timer = timer

    def set_low_latency_mode(self, on: bool) -> None:
        if self.timer is None:
            raise ValueError("Failed to update ASYNC_LOW_LATENCY flag")
        self.timer.chmod(0o644)
        self.timer.write_text("1\n")


@pytest.fixture
def timer(tmp_path: Path) -> Path:
    folder = tmp_path / "bus/usb-serial/devices/ttyUSB0"
    folder.mkdir(parents=True)
    file = folder / "latency_timer"
    file.write_text("16\n")
    return file


def test_a_timer_that_may_be_set_is_set(timer: Path, tmp_path: Path) -> None:
    """16 ms, the driver's usual default, becomes 1 ms; nothing needs saying."""
    held = latency.linux("/dev/ttyUSB0", Driver(None), tmp_path)

    assert held == 1.0
    assert timer.read_text() == "1\n"
    assert latency.sentence("/dev/ttyUSB0", held) == ""


class _Refusing(type(Path())):  # type: ignore[misc]
    """A path whose files cannot be written, whoever runs the test."""

    def write_text(self, *args: object, **more: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")


def test_a_timer_that_may_not_be_set_is_asked_of_the_driver(timer: Path, tmp_path: Path) -> None:
    """Without rights on the file the driver's flag does it."""
    assert latency.linux("/dev/ttyUSB0", Driver(timer), _Refusing(tmp_path)) == 1.0


def test_a_timer_that_stays_is_told(timer: Path, tmp_path: Path) -> None:
    """Where neither way works the person is told what it costs."""
    held = latency.linux("/dev/ttyUSB0", Driver(None), _Refusing(tmp_path))

    assert held == 16.0
    assert "up to 16 ms" in latency.sentence("/dev/ttyUSB0", held)


def test_ports_without_such_a_timer(tmp_path: Path, pty: str) -> None:
    """No file, an odd file, another system: not told, and nothing to say."""
    assert latency.linux(pty, Driver(None), tmp_path) is None
    assert latency.lower(pty, Driver(None), "win32") is None
    assert latency.sentence(pty, None) == ""
