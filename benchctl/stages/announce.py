"""Board facts as run events: identity, vital signs, the forensics of a restart."""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchctl import events as ev
from benchctl.session.board import Board
from benchctl.wire import msg


def announce(board: Board, emit: ev.Emit) -> None:
    """Tell who a board is, once it has identified itself."""
    i = board.identity
    assert i is not None
    crc = i.image_crc or "????????"
    now, port = board.clock.now(), board.port.name
    emit(ev.BoardSeen(now, board.role, i.label, i.firmware, crc, i.protocol, i.clock_hz, port, i.boots, board.via))


def emit_health(board: Board, emit: ev.Emit) -> None:
    """Ask for the vital signs and tell them."""
    v = board.ask(msg.Vitals())
    volts = v.vcc_mv / 1000 if v.vcc_mv else math.nan
    frames, counts = board.exchange.frames, board.exchange.counts
    damaged = frames.damaged + counts.malformed
    emit(ev.BoardHealth(board.clock.now(), board.role, volts, frames.good, damaged, counts.lost_events))


def restart_facts(boot: msg.Boot) -> Mapping[str, float]:
    """The forensics in a boot message, by name, in base units."""
    return {
        "boot_count": boot.boot_count,
        "cause_from": boot.cause_from,
        "mcusr": boot.mcusr,
        "ram_survived": boot.ram_survived,
        "uptime_s": boot.uptime_ms / 1000,
        "loads": boot.loads,
        "lowest_vcc": boot.lowest_vcc_mv / 1000,
    }
