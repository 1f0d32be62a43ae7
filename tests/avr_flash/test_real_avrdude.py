"""The real programmer, a real boot loader, the real firmware: flashed through a pseudo-terminal on the avr bench.

Boot loaders: as the Debian package arduino-core-avr brings them. Where they start: their own first record, which is
where the fuses BOOTSZ and BOOTRST of the boards in that package's boards.txt point.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from boot_loaders import NEWER, OLDER, as_hex, loader_and_start, start_at
from needs import lacking, needs

from benchctl import benchfile, shipped
from benchctl.avr.build_shim import available
from benchctl.avr.image import read_image
from benchctl.flash import flash
from benchctl.ports.port import still_open
from benchctl.serve import Server, make_server
from benchctl.terms import Role


def missing() -> str:
    """What this machine lacks for these tests, "" when nothing."""
    if not OLDER.is_file():
        return "the package arduino-core-avr is not installed"
    return lacking("avrdude") or available() or ""


pytestmark = [
    needs(missing()),
    pytest.mark.long,
]


@contextmanager
def board_with(loader: Path, folder: Path) -> Iterator[tuple[Server, object]]:
    """A hand board that holds nothing but a boot loader, served in real time; and its chip."""
    from benchctl.avr.bench import AvrBench

    whole, start = loader_and_start(loader)
    image = folder / "loader.hex"
    image.write_text(as_hex(whole))
    bench = AvrBench(benchfile.parse(b'kind = "avr"\npair = "mudlark"\nonly = ["hand"]\n'), {Role.HAND: image})
    chip = bench.chips[Role.HAND]
    start_at(chip, start)
    server = make_server(bench)
    over = threading.Event()
    thread = threading.Thread(target=server.run, args=(over.is_set,))
    thread.start()
    try:
        yield server, chip
    finally:
        over.set()
        thread.join()
        server.close()


def test_probe_is_flashed_and_identifies_itself(tmp_path: Path) -> None:
    """The right speed is found by trying, avrdude writes and reads back, the board boots and reports the CRC."""
    phases: list[str] = []
    image = shipped.image(16_000_000)
    with board_with(OLDER, tmp_path) as (server, chip):
        done = flash(server.names[Role.HAND], image, lambda phase, part: phases.append(phase))
        held = chip.flash  # type: ignore[attr-defined]

    wanted = read_image(image)
    assert wanted == held[: len(wanted)]
    assert done.speed == 57_600
    assert done.identity is not None
    assert done.image_crc == done.identity.image_crc
    assert done.loader_loops
    assert list(dict.fromkeys(phases)) == [
        "trying 115200 Bd",
        "trying 57600 Bd",
        "writing",
        "checking",
        "asking the board",
    ]
    assert still_open() == []


def test_newer_boot_loader_is_programmed_at_its_speed(tmp_path: Path) -> None:
    """At 115200 Bd, at the first try. What it holds is compared with the image.

    The package's build of this boot loader is 20 bytes too long: what starts the program is linked to 0x8004, beyond
    the flash, where the program counter wraps to the vector of the first external interrupt. The probe has a handler
    there, which returns into the loader. So the board cannot boot from this build, and is not asked.
    """
    image = shipped.image(16_000_000)
    with board_with(NEWER, tmp_path) as (server, chip):
        done = flash(server.names[Role.HAND], image, is_probe=False)
        held = chip.flash  # type: ignore[attr-defined]

    wanted = read_image(image)
    assert done.speed == 115_200
    assert done.loader_loops is False
    assert wanted == held[: len(wanted)]
