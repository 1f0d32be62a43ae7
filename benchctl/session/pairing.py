"""What keeps two pairs apart on the air, derived from a board's label: address, default channel, pair number."""

from __future__ import annotations

import hashlib
import re

from benchctl.pairfile import PairSpec
from benchctl.terms import Role

#: channels for eight pairs, at least 2 MHz apart (2 Mbps needs that: nRF24L01+ specification, section 6.3), in the
#: licence-free band up to 2483.5 MHz and beside or between the Wi-Fi channels 1, 6 and 11 (IEEE 802.11, 2.4 GHz)
CHANNELS = (76, 80, 78, 82, 74, 50, 24, 26)
_CHANNEL = "radio_channel"
_ROLES = frozenset(str(role) for role in Role)


def pair_name(label: str) -> str:
    """The label without the word that tells the boards of a pair apart: "mudlark-hand-01" and "mudlark-craft-01" are
    of "mudlark-01"."""
    return "-".join(word for word in label.split("-") if word not in _ROLES)


def pair_settings(label: str) -> dict[str, int]:
    """Settings by catalogue name; the same for both boards of a pair. None for a board without a label.

    Pairs that are numbered get channels in turn, so that eight of a batch do not share one.
    """
    name = pair_name(label)
    if not name:
        return {}
    digest = hashlib.sha256(name.encode()).digest()
    number = re.search(r"(\d+)$", name)
    turn = int(number[1]) - 1 if number else digest[5]
    return {
        "radio_address": int.from_bytes(bytes(_lively(byte) for byte in digest[:4]), "little"),
        _CHANNEL: CHANNELS[turn % len(CHANNELS)],
        "pair_number": 1 + digest[4] % 255,
    }


def pair_channel(pair: PairSpec) -> int:
    """The channel that a pair is on: as its file states it, else as its labels make it; 0 where neither says."""
    boards = pair.boards.values()
    stated = [int(board.settings[_CHANNEL]) for board in boards if _CHANNEL in board.settings]
    derived = [pair_settings(board.label).get(_CHANNEL, 0) for board in boards if board.label]
    return (stated or derived or [0])[0]


def _lively(byte: int) -> int:
    """Address bytes without level changes are taken for noise, those with nothing but for a preamble (7.3.2)."""
    return byte ^ 0x1A if byte in (0x00, 0xFF, 0x55, 0xAA) else byte
