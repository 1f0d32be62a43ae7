"""A boot loader that does not end the watchdog: recognised by its code, and restarts that do without the watchdog.

The loader is a few instructions of our own, assembled here: it waits as an old one does for a programmer, leaves the
reset flags and the watchdog as they are, and starts the program. After a watchdog's reset the chip forces the watchdog on
at 16 ms while WDRF stands (data sheet, "Watchdog Timer"), so it never gets to its end.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from boot_loaders import as_hex, start_at
from needs import need

from benchctl import benchfile, shipped
from benchctl.avr.bench import AvrBench
from benchctl.avr.build_shim import available
from benchctl.avr.image import read_image
from benchctl.errors import NoAnswer
from benchctl.flash import never_ends_watchdog
from benchctl.session.board import Board
from benchctl.terms import Role
from benchctl.wire import msg

HAND = Role.HAND
START = 0x7800


def words(*codes: int) -> bytes:
    return b"".join(code.to_bytes(2, "little") for code in codes)


#: about 100 ms at 16 MHz: ldi r24,0 / ldi r25,0 / ldi r26,24 / loop: sbiw r24,1 / brne loop / dec r26 / brne loop / jmp 0
LOOPS = words(0xE080, 0xE090, 0xE1A8, 0x9701, 0xF7F1, 0x95AA, 0xF7E1, 0x940C, 0x0000)
#: the same after: out MCUSR,r1 / ldi r24,0x18 / sts WDTCSR,r24 / ldi r24,0 / sts WDTCSR,r24
ENDS = words(0xBE14, 0xE188, 0x9380, 0x0060, 0xE080, 0x9380, 0x0060) + LOOPS


def behind(loader: bytes, folder: Path, loops_known: bool) -> AvrBench:
    """A hand board whose chip starts in this loader and holds the shipped image."""
    need(available())
    program = read_image(shipped.image(16_000_000))
    image = folder / "behind.hex"
    image.write_text(as_hex((program.ljust(START, b"\xff") + loader).ljust(32768, b"\xff")))
    known = f"[board.hand.settings]\nloader_loops = {int(loops_known)}\n"
    bench = AvrBench(benchfile.parse(f'pair = "mudlark"\nonly = ["hand"]\n{known}'.encode()), {HAND: image})
    start_at(bench.chips[HAND], START)
    bench._units[HAND].switch_on_anew()
    bench.boards[HAND].open()
    return bench


@pytest.fixture
def known(tmp_path: Path) -> Iterator[AvrBench]:
    """A board of which `flash` has found out what its loader does."""
    bench = behind(LOOPS, tmp_path, loops_known=True)
    yield bench
    bench.close()


def test_the_code_tells_it() -> None:
    """A loader that never writes the watchdog's register, at 0x60, cannot end it; one that does, can."""
    assert never_ends_watchdog(LOOPS)
    assert not never_ends_watchdog(ENDS)
    # the same bytes at an odd place are no instruction
    assert never_ends_watchdog(b"\x00" + words(0x9380, 0x0060) + b"\x00")


def test_it_loops_after_the_watchdog(tmp_path: Path) -> None:
    """What the model is for: a restart through the watchdog does not come back, a loader that ends it does."""
    bench = behind(LOOPS, tmp_path, loops_known=False)
    with pytest.raises(NoAnswer, match="switch its supply off and on"):
        bench.boards[HAND].restart()
    bench.close()
    bench = behind(ENDS, tmp_path, loops_known=False)
    bench.boards[HAND].restart()
    bench.close()


def test_a_board_that_is_known_for_it_restarts_without_the_watchdog(known: AvrBench) -> None:
    """It comes back, knows why, counts the start, and everything on it works as after any other start."""
    board: Board = known.boards[HAND]
    before = board.identify()
    for _ in range(3):
        boot = board.restart()
        assert board.cause == "requested"
        assert boot.ram_survived
    after = board.identify()
    assert after.boots == before.boots + 3
    assert after.stack_free == before.stack_free or abs(after.stack_free - before.stack_free) < 40
    assert board.ask(msg.Vitals()).vcc_mv > 4500
    assert board.ask(msg.Echo(data=b"there")).data == b"there"
    # the watchdog guards the program again
    known.wait(0.5)
    assert board.ask(msg.Vitals()).late_us < 20_000


def test_pins_are_let_go_before_the_jump(known: AvrBench) -> None:
    """What was driven is an input until the new life wires it: nothing keeps a level of the life before."""
    board: Board = known.boards[HAND]
    board.ask(msg.Led(blinks=255, on_ms=0, off_ms=0))
    led = known.world.boards[HAND].outputs["led"]
    assert led.level == 1.0

    board.restart()

    assert led.level == 0.0
