"""The fuse bytes of a modelled chip."""

from __future__ import annotations

from benchctl.analysis.fuses import raw_fuses
from benchctl.benchfile import BoardSpec


def fuses_of(board: BoardSpec) -> bytes:
    """Low byte, lock bits, extended byte, high byte, as the chip reads them."""
    return raw_fuses(board.low_fuse, board.high_fuse, board.brown_out_v, board.lock_bits)
