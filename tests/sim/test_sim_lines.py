"""What the board sees of its transceiver when a line is broken: by raw transactions and by looking at pins."""

from __future__ import annotations

import pytest
from helpers import MUDLARK_PINS

from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import Function

INPUT, PULL_UP, LOW, HIGH = range(4)


def board_with(open_sim, radio: str):
    return open_sim(f"[board.hand]\n[board.hand.radio]\n{radio}\n").boards[Role.HAND]


def spi(board, *data: int) -> bytes:
    return board.ask(msg.RadioSpi(data=bytes(data))).data


def test_good_transceiver_has_its_reset_values(open_sim) -> None:
    """nRF24L01+ Product Specification v1.0, table 28."""
    board = board_with(open_sim, "")
    assert spi(board, 0x00, 0xFF) == b"\x0e\x08"
    assert spi(board, 0x06, 0xFF) == b"\x0e\x0e"
    assert spi(board, 0x0A, *[0xFF] * 5) == b"\x0e" + b"\xe7" * 5
    spi(board, 0x25, 0x2A)
    assert spi(board, 0x05, 0xFF) == b"\x0e\x2a"


@pytest.mark.parametrize(
    ("radio", "status", "selected", "released", "irq"),
    [
        ("", 0x0E, 0, 1, 1),
        ("fitted = false", 0xFF, 1, 1, 1),
        ("miso = { to_ground_ohms = 1.0 }", 0x00, 0, 0, 1),
        ("csn = { series_ohms = 1e9 }", 0xFF, 1, 1, 1),
        ("irq = { to_ground_ohms = 1.0 }", 0x0E, 0, 1, 0),
    ],
)
def test_lines_as_they_look(open_sim, radio: str, status: int, selected: int, released: int, irq: int) -> None:
    board = board_with(open_sim, radio)
    assert spi(board, 0xFF)[0] == status
    board.ask(msg.Pin(function=Function.RADIO_CSN, mode=LOW))
    assert board.ask(msg.Pin(function=Function.RADIO_MISO, mode=PULL_UP)).level == selected
    board.ask(msg.Pin(function=Function.RADIO_CSN, mode=HIGH))
    assert board.ask(msg.Pin(function=Function.RADIO_MISO, mode=PULL_UP)).level == released
    assert board.ask(msg.Pin(function=Function.RADIO_IRQ, mode=PULL_UP)).level == irq


def test_swapped_lines_answer_once_the_settings_are_swapped(open_sim) -> None:
    board = board_with(open_sim, 'csn = { to_line = "ce" }\nce = { to_line = "csn" }')
    spi(board, 0x25, 0x2A)
    assert spi(board, 0x05, 0xFF)[1] != 0x2A
    board.write_pin(Function.RADIO_CE, MUDLARK_PINS[Function.RADIO_CSN])
    board.write_pin(Function.RADIO_CSN, MUDLARK_PINS[Function.RADIO_CE])
    spi(board, 0x25, 0x2A)
    assert spi(board, 0x05, 0xFF)[1] == 0x2A
