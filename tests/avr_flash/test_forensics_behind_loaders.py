"""Why a board restarted, behind real boot loaders on the avr bench: told rightly, or said to be unknown.

Two that boards come with, as the Debian package arduino-core-avr has them: the older one, which leaves the chip's
reset flags alone, and the newer one, which clears them and hands nothing on. The package's build of the newer one is
too long to start any program (see `test_real_avrdude`), so it is built here from the package's source, without the
blinking at its start, which brings it down to its 512 bytes; what it does with the flags is the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from boot_loaders import OLDER, as_hex, built_newer, loader_and_start, start_at
from needs import lacking, needs
from test_real_avrdude import missing

from benchctl import benchfile, shipped
from benchctl.avr.bench import AvrBench
from benchctl.avr.image import read_image
from benchctl.errors import NoAnswer
from benchctl.session.board import Board
from benchctl.session.boot import cause_name, source_name
from benchctl.terms import Role
from benchctl.wire import msg

pytestmark = [
    needs(missing()),
    needs(lacking("avr-gcc")),
]
HAND = Role.HAND


@pytest.fixture(scope="module")
def newer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The newer loader, in so many bytes as its section holds."""
    return built_newer(tmp_path_factory.mktemp("loader"))


class Behind:
    """A hand board whose chip starts in a boot loader, and what is done to it."""

    def __init__(self, loader: Path, folder: Path) -> None:
        whole, start = loader_and_start(loader)
        program = read_image(shipped.image(16_000_000))
        assert len(program) <= start
        image = folder / "behind.hex"
        image.write_text(as_hex(program + whole[len(program) :]))
        self.bench = AvrBench(benchfile.parse(b'pair = "mudlark"\nonly = ["hand"]\n'), {HAND: image})
        start_at(self.bench.chips[HAND], start)
        self.unit = self.bench._units[HAND]
        self.unit.switch_on_anew()
        self.board.open()

    @property
    def board(self) -> Board:
        return self.bench.boards[HAND]

    def told(self, seconds: float = 3.0) -> tuple[str, str, str]:
        """Cause as the chip has it, where it learnt it, and cause as the host has it, of the next restart."""
        boot = self.board.wait_event(msg.Boot, seconds)
        self.board.clear_restart()
        return cause_name(boot.cause), source_name(boot.cause_from), self.board.cause

    def live(self) -> None:
        """Long enough for the loop's age and the supply to be known; the board is heard until the end."""
        self.bench.wait(0.6)
        self.board.events(msg.Boot)
        self.board.ask(msg.Vitals())

    def hang_in_the_loop(self) -> None:
        """Where the program is most often, asleep in its loop: an interrupt that hangs would stop the loop's age too."""
        chip, places = self.bench.chips[HAND], Counter[int]()
        for _ in range(60):
            self.bench.wait(7e-5)
            places[chip._lib.chip_pc(chip.c)] += 1
        ((asleep, _),) = places.most_common(1)
        while chip._lib.chip_pc(chip.c) != asleep:
            self.bench.wait(7e-5)
        self.unit.hang()

    def brown_out(self) -> None:
        self.unit.supply_held(True)
        self.bench.wait(0.01)
        self.unit.supply_held(False)


@pytest.fixture
def older_board(tmp_path: Path) -> Iterator[Behind]:
    made = Behind(OLDER, tmp_path)
    yield made
    made.bench.close()


@pytest.fixture
def newer_board(newer: Path, tmp_path: Path) -> Iterator[Behind]:
    made = Behind(newer, tmp_path)
    yield made
    made.bench.close()


def test_flags_that_the_loader_leaves_are_taken(older_board: Behind) -> None:
    made = older_board
    made.live()
    made.board.port.reset()
    assert made.told() == ("reset line", "flags", "reset line")
    made.live()
    made.brown_out()
    assert made.told() == ("brown-out", "flags", "brown-out")
    made.live()
    made.unit.switch_on_anew()
    assert made.told() == ("power on", "flags", "power on")


def test_a_loader_that_does_not_end_the_watchdog_never_comes_back(older_board: Behind) -> None:
    """The chip forces the watchdog on after its reset, at 16 ms (data sheet, "Watchdog Timer"); this loader waits
    longer than that, so it starts over without end. The host says what helps."""
    made = older_board
    made.live()
    with pytest.raises(NoAnswer, match="switch its supply off and on"):
        made.board.restart()
    made.unit.switch_on_anew()
    assert made.told()[0] == "power on"


def test_power_on_is_inferred_from_lost_memory(newer_board: Behind) -> None:
    newer_board.live()
    newer_board.unit.switch_on_anew()
    assert newer_board.told() == ("power on", "inferred", "power on")


def test_the_watchdog_is_inferred_from_the_loop_that_stood_still(newer_board: Behind) -> None:
    newer_board.live()
    newer_board.hang_in_the_loop()
    assert newer_board.told() == ("watchdog", "inferred", "watchdog")


def test_a_restart_that_was_asked_for_is_known(newer_board: Behind) -> None:
    newer_board.live()
    newer_board.board.restart()
    assert newer_board.board.cause == "requested"


def test_the_reset_line_is_known_to_the_host_that_pulled_it(newer_board: Behind) -> None:
    newer_board.live()
    newer_board.board.reset_by_line()
    assert newer_board.board.cause == "reset line"


def test_a_dip_is_told_from_the_line_by_the_loaders_wait(newer_board: Behind) -> None:
    """The chip cannot tell; the host can, once it knows how long the loader waits after the line."""
    made = newer_board
    made.live()
    made.brown_out()
    assert made.told() == ("unknown", "nothing", "unknown")
    made.live()
    made.board.reset_by_line()
    made.live()
    made.brown_out()
    assert made.told() == ("unknown", "nothing", "brown-out")
    made.live()
    made.board.port.reset()  # somebody's finger on the button
    assert made.told() == ("unknown", "nothing", "unknown")
