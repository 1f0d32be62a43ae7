"""Flashing: the real avrdude against a scripted boot loader, and everything that can go wrong."""

from __future__ import annotations

import os
import stat
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from helpers import IDENTIFY
from needs import lacking, needs
from ports.boot_loader import BootLoader
from ports.scripted import FarEnd, ScriptedBoard, on_pty

from benchctl import flash as flash_module
from benchctl.errors import BoardError, NoAnswer, UsageError
from benchctl.flash import Flashed, flash
from benchctl.ports.outlets import speed_of
from benchctl.ports.port import still_open
from benchctl.session.boot import Identity, identity
from benchctl.wire import msg

NEEDS_AVRDUDE = needs(lacking("avrdude"))
#: a program that ends in a byte other than 0xFF, so that its end is its end in flash as well
PROGRAM = bytes(range(1, 200)) * 3


@pytest.fixture(autouse=True)
def nothing_left_open(fair_seconds: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    # the scripted loader does not show its own code; the real ones do, in avr_flash
    monkeypatch.setattr(flash_module, "_DUMP_S", 0.5)
    yield

    assert still_open() == []


def write_hex(path: Path, data: bytes) -> Path:
    """An Intel HEX file of the bytes from address 0."""
    lines = []
    for at in range(0, len(data), 16):
        body = bytes((len(data[at : at + 16]), at >> 8, at & 0xFF, 0)) + data[at : at + 16]
        lines.append(":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper())
    path.write_text("\n".join([*lines, ":00000001FF"]) + "\n")
    return path


@pytest.fixture
def image(tmp_path: Path) -> Path:
    return write_hex(tmp_path / "program.hex", PROGRAM)


@contextmanager
def boot_loader(at: int, **more: object) -> Iterator[tuple[str, BootLoader]]:
    """A scripted boot loader behind a pseudo-terminal: the port's name and the boot loader."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    device = BootLoader(lambda: speed_of(master), at, **more)  # type: ignore[arg-type]
    end = FarEnd(master, device)
    try:
        yield name, device
    finally:
        end.close()
        os.close(master)


@NEEDS_AVRDUDE
def test_real_programmer_writes_checks_and_the_board_confirms(image: Path) -> None:
    """At the first speed tried: written, read back, and the board's own CRC is the image's."""
    seen: list[tuple[str, float]] = []
    with boot_loader(115_200) as (name, device):
        done = flash(name, image, lambda phase, part: seen.append((phase, part)))

    assert bytes(device.flash[: len(PROGRAM)]) == PROGRAM
    assert done.speed == 115_200
    assert done.identity is not None
    assert done.image_crc == done.identity.image_crc
    phases = list(dict.fromkeys(phase for phase, _ in seen))
    assert phases == ["trying 115200 Bd", "writing", "checking", "asking the board"]
    assert ("writing", 1.0) in seen
    assert all(0.0 <= part <= 1.0 for _, part in seen)


@NEEDS_AVRDUDE
@pytest.mark.long
def test_the_right_speed_is_found(image: Path) -> None:
    """A boot loader of the older kind is found at the second speed, after one try of the first."""
    with boot_loader(57_600) as (name, device):
        done = flash(name, image)

    assert done.speed == 57_600
    assert device.running


@NEEDS_AVRDUDE
def test_another_chip(image: Path) -> None:
    """A chip with another signature is left alone."""
    with (
        boot_loader(115_200, signature=b"\x1e\x98\x01") as (name, device),
        pytest.raises(BoardError, match="no ATmega328P"),
    ):
        flash(name, image)

    assert b"\xff" * len(PROGRAM) == bytes(device.flash[: len(PROGRAM)])


@NEEDS_AVRDUDE
def test_the_chip_with_a_b(image: Path) -> None:
    """An ATmega328PB, signature 1E 95 16 (its data sheet, table 32-8), is programmed like the 328P."""
    with boot_loader(115_200, signature=b"\x1e\x95\x16") as (name, device):
        done = flash(name, image)

    assert bytes(device.flash[: len(PROGRAM)]) == PROGRAM
    assert done.speed == 115_200


def identity_of(clock_hz: int, ok: bool) -> Identity:
    answer = msg.IdentifyAnswer(**{**IDENTIFY, "clock_hz": clock_hz, "clock_ok": int(ok)})
    return identity(answer)


@pytest.mark.parametrize(
    ("mhz", "chip", "written"), [(None, 16, [16]), (None, 8, [16, 8]), (8, 8, [8]), (16, 16, [16])]
)
def test_the_clock_is_found_out_unless_it_is_told(
    monkeypatch: pytest.MonkeyPatch, mhz: int | None, chip: int, written: list[int]
) -> None:
    """An image that runs at another clock than it was built for says so, and the other one is written."""
    images: list[int] = []

    def put(port: str, image: Path, progress: object, **more: object) -> Flashed:
        clock = 16 if "16mhz" in image.name else 8
        images.append(clock)
        return Flashed(57_600, "", identity_of(clock * 1_000_000, clock == chip))

    monkeypatch.setattr(flash_module, "flash", put)
    done = flash_module.flash_probe("/dev/ttyUSB9", mhz)

    assert images == written
    assert done.identity is not None
    assert done.identity.clock_ok


@pytest.mark.parametrize(("mhz", "chip"), [(16, 8), (8, 16)])
def test_a_wrong_clock_is_told_with_what_to_do(monkeypatch: pytest.MonkeyPatch, mhz: int, chip: int) -> None:
    monkeypatch.setattr(
        flash_module, "flash", lambda *a, **k: Flashed(57_600, "", identity_of(mhz * 1_000_000, False))
    )

    with pytest.raises(BoardError, match=f"wrong image.*flash with --mhz {chip}$"):
        flash_module.flash_probe("/dev/ttyUSB9", mhz)


@NEEDS_AVRDUDE
def test_memory_that_does_not_hold(image: Path) -> None:
    """A byte that reads back wrong is told as the board's fault."""
    with boot_loader(115_200, bad_byte=300) as (name, _), pytest.raises(BoardError, match="does not hold"):
        flash(name, image)


@NEEDS_AVRDUDE
def test_the_board_has_the_last_word(image: Path) -> None:
    """A board that afterwards runs something else is no success, whatever the programmer says."""
    with boot_loader(115_200) as (name, device):

        class Other(ScriptedBoard):
            def feed(self, data: bytes) -> bytes:
                self.image_crc = 0x0BADC0DE
                return super().feed(data)

        device.board = Other()
        with pytest.raises(BoardError, match="reports image CRC 0badc0de, expected"):
            flash(name, image)


@NEEDS_AVRDUDE
def test_firmware_that_is_no_probe_is_not_asked(image: Path) -> None:
    """Somebody's own sketch is written and checked by the programmer alone."""
    with boot_loader(115_200) as (name, device):
        done = flash(name, image, is_probe=False)

    assert done.identity is None
    assert device.board.asked == []


# ---------------------------------------------------------------------- the programmer program, scripted


def scripted(folder: Path, monkeypatch: pytest.MonkeyPatch, body: str) -> Path:
    """An avrdude of our own, first on the path, that notes its arguments in a file."""
    calls = folder / "calls"
    program = folder / "bin" / "avrdude"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\necho "$@" >> {calls}\n{body}\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    return calls


OUT_OF_SYNC = 'echo "avrdude warning: attempt 1 of 10: not in sync: resp=0x00" >&2\nexec sleep 60'


def test_all_speeds_are_tried_twice_and_each_once_only(
    tmp_path: Path, image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ten tries of the program are cut short; the end is one sentence with the speeds."""
    calls = scripted(tmp_path, monkeypatch, OUT_OF_SYNC)
    with on_pty(ScriptedBoard()) as name, pytest.raises(NoAnswer, match=r"no boot loader answers at 115200, 57600 Bd"):
        flash(name, image, speeds=(115_200, 57_600))
    lines = calls.read_text().splitlines()

    assert [line.split("-b ")[1].split()[0] for line in lines] == ["115200", "57600", "115200", "57600"]
    # without -D the program asks the boot loader for a chip erase, which it does not have
    assert all("-c arduino -p m328p" in line and " -D " in line for line in lines)


@pytest.mark.parametrize(
    ("body", "error", "says"),
    [
        ('echo "avrdude error: cannot open port /dev/x: busy" >&2; exit 1', UsageError, "cannot open the port"),
        ('echo "avrdude error: something new" >&2; exit 1', BoardError, "something new"),
        ("exit 7", BoardError, "it said nothing"),
    ],
)
def test_other_failures(
    tmp_path: Path, image: Path, monkeypatch: pytest.MonkeyPatch, body: str, error: type[Exception], says: str
) -> None:
    """Whatever the program complains of ends in one sentence with the port's name."""
    scripted(tmp_path, monkeypatch, body)
    with on_pty(ScriptedBoard()) as name, pytest.raises(error, match=says) as e:
        flash(name, image)

    assert name in str(e.value)
    assert "\n" not in str(e.value)


def test_a_program_that_hangs_is_ended(tmp_path: Path, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence for long ends it."""
    monkeypatch.setattr(flash_module, "SILENCE_S", 0.05)
    scripted(tmp_path, monkeypatch, "exec sleep 60")
    with on_pty(ScriptedBoard()) as name, pytest.raises(BoardError, match="has said nothing"):
        flash(name, image)


def test_nothing_is_asked_of_a_pipe_that_windows_cannot_tell() -> None:
    """`select` works on sockets only there: a pipe is read by a thread."""
    assert not hasattr(flash_module, "select")


def test_programmer_not_installed(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sentence says how to install it."""
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(UsageError, match="not installed; install it with `sudo apt install avrdude`"):
        flash("/dev/ttyUSB77", image)


@pytest.mark.parametrize(
    ("port", "says"),
    [
        ("/dev/ttyUSB77", "no such port"),
        ("rfc2217://host:1", "not over rfc2217"),
        ("socket://127.0.0.1:1", "nobody answers"),
    ],
)
def test_ports_that_cannot_be_flashed(
    tmp_path: Path, image: Path, monkeypatch: pytest.MonkeyPatch, port: str, says: str
) -> None:
    """The port is looked at before the program is started."""
    calls = scripted(tmp_path, monkeypatch, "exit 1")
    with pytest.raises(UsageError, match=says):
        flash(port, image)

    assert not calls.exists()


def test_images_that_are_none(tmp_path: Path) -> None:
    """A damaged image is refused before anything else happens."""
    bad = tmp_path / "bad.hex"
    bad.write_text(":0000000G\n")
    with pytest.raises(UsageError, match=r"bad\.hex, line 1"):
        flash("/dev/ttyUSB77", bad)
