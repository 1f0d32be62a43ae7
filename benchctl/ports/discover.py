"""Which ports there are, and who answers on each."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from enum import StrEnum

from serial.tools import list_ports

from benchctl import preferences
from benchctl.errors import PortLost
from benchctl.ports import loader
from benchctl.ports.access import CannotOpen, Trouble, open_line
from benchctl.ports.clock import WallClock
from benchctl.ports.line import line_for
from benchctl.ports.listen import Answer, listen
from benchctl.ports.port import SerialPort
from benchctl.session.boot import Identity
from benchctl.wire.catalogue import BAUDS

#: how long a port may stay silent: common boot loaders wait up to 2 s
PATIENCE_S = 3.0


class State(StrEnum):
    """What a port turned out to be."""

    BOARD = "board"
    LOADER = "boot loader"
    WRONG_IMAGE = "wrong image"
    SILENT = "silent"
    OTHER = "other device"
    NO_PERMISSION = "no permission"
    BUSY = "busy"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A port that the system lists, with its plain description. baud 0: the usual one first, then the others."""

    port: str
    description: str = ""
    baud: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """What was found on a port. line: the still open port, where it was asked to be kept.

    loader: speed of the boot loader that answers where no program of ours does, 0 for none.
    """

    port: str
    state: State
    sentence: str
    description: str = ""
    identity: Identity | None = None
    baud: int = 0
    latency_ms: float | None = None
    loader: int = 0
    line: SerialPort | None = field(default=None, compare=False)

    @property
    def label(self) -> str:
        return self.identity.label if self.identity is not None else ""

    def let_go(self) -> None:
        if self.line is not None:
            self.line.close()


def candidates() -> list[Candidate]:
    """The serial ports of this machine, without those that belong to wireless headsets and the like or sit on its main
    board, and those that the user's preferences add. Raises UsageError for preferences that cannot be read."""
    listed = [p for p in list_ports.comports() if not _on_main_board(p.device, p.hwid or "")]
    listed = [p for p in listed if "bluetooth" not in f"{p.device} {p.description} {p.hwid}".lower()]
    found = [Candidate(p.device, _description(p.description, p.hwid)) for p in sorted(listed, key=lambda p: p.device)]
    there = {p.device for p in listed}
    return found + [Candidate(p, "from your preferences") for p in preferences.load().more_ports() if p not in there]


def _on_main_board(device: str, hwid: str) -> bool:
    """A port of the computer's own: no board of ours hangs there. PNP0501 is the plug-and-play name of such a port."""
    return re.fullmatch(r"/dev/ttyS\d+", device) is not None or "PNP0501" in hwid.upper()


def _description(description: str | None, hwid: str | None) -> str:
    words = [w for w in (description, hwid) if w and w != "n/a"]
    return ", ".join(dict.fromkeys(words)) or "no description"


# ---------------------------------------------------------------------- one port

_STATE_OF_TROUBLE: Mapping[Trouble, State] = {
    Trouble.MISSING: State.GONE,
    Trouble.NO_PERMISSION: State.NO_PERMISSION,
    Trouble.BUSY: State.BUSY,
    Trouble.UNFIT: State.OTHER,
}


def probe(port: str, seconds: float = PATIENCE_S, *, baud: int = 0, description: str = "", keep: bool = False) -> Found:
    """Open a port, wait out the boot loader and have the board identify itself.

    seconds: patience at the first speed. baud: the only speed to try; 0 tries all that the firmware has.
    keep: leave a board's port open, in `line`. Where no board of ours answers, a boot loader is asked for. Never raises
    for what it finds.
    """
    line = _open(port, baud or BAUDS[0])
    if isinstance(line, CannotOpen):
        return Found(port, _STATE_OF_TROUBLE[line.trouble], line.sentence, description)
    kept = False
    try:
        found = replace(_judge(listen(line, seconds, only_this_speed=bool(baud))), description=description)
        found = replace(found, latency_ms=line.latency_ms)
        kept = keep and found.state is State.BOARD
        if kept:
            return replace(found, line=line)
    except PortLost as e:
        return Found(port, State.GONE, str(e), description)
    finally:
        if not kept:
            line.close()
    return _with_loader(found) if found.state in (State.SILENT, State.OTHER) else found


def _open(port: str, baud: int) -> SerialPort | CannotOpen:
    opened = open_line(port, baud)
    return opened if isinstance(opened, CannotOpen) else SerialPort(port, baud, line_for(opened), lambda: None)


def _with_loader(found: Found) -> Found:
    """The same, with what is to be done where a boot loader answers; each try opens the port, which resets a board."""
    clock = WallClock()
    for speed in loader.SPEEDS:
        clock.wait(loader.APART_S)
        line = _open(found.port, speed)
        if isinstance(line, CannotOpen):
            return found
        try:
            there = loader.answers(line)
        except PortLost:
            return found
        finally:
            line.close()
        if there:
            return _loader_there(replace(found, loader=speed))
    return found


def _loader_there(found: Found) -> Found:
    todo = f"put the probe firmware on it with `benchctl flash {found.port}`"
    if found.state is State.SILENT:
        said = f"{found.port}: a boot loader answers at {found.loader} Bd, and no program of ours; {todo}"
        return replace(found, state=State.LOADER, sentence=said)
    return replace(found, sentence=f"{found.sentence}; a boot loader answers: if it is a board of yours, {todo}")


def _judge(heard: Answer) -> Found:
    """What was heard, as a state with its sentence."""
    name = heard.port
    if heard.identity is not None:
        return Found(name, State.BOARD, f"{name}: {_who(heard)}", identity=heard.identity, baud=heard.baud)
    if heard.refused:
        return Found(name, State.WRONG_IMAGE, heard.refused, baud=heard.baud)
    if heard.sent:
        return Found(name, State.OTHER, f"{name}: another device, or another firmware; {heard.in_words()}")
    return Found(
        name,
        State.SILENT,
        f"{name}: nothing answers; is the board powered, is the probe firmware on it (`benchctl flash {name}`)?",
    )


def _who(heard: Answer) -> str:
    assert heard.identity is not None
    who = heard.identity
    speed = f", at {heard.baud} Bd" if heard.baud != BAUDS[0] else ""
    wrong = f"; {who.wrong_clock}" if who.wrong_clock else ""
    name = f"{who.role or 'unknown'} board {who.label}" if who.label else "a board that nobody has set up yet"
    return f"{name}, firmware {who.firmware}{speed}{wrong}"


# ---------------------------------------------------------------------- several ports


def survey(ports: Iterable[Candidate] | None = None, seconds: float = PATIENCE_S, *, keep: bool = False) -> list[Found]:
    """Probe ports at the same time; all that the system lists, unless told. In the order given."""
    listed = candidates() if ports is None else list(ports)
    if not listed:
        return []

    def one(c: Candidate) -> Found:
        return probe(c.port, seconds, baud=c.baud, description=c.description, keep=keep)

    with ThreadPoolExecutor(len(listed), thread_name_prefix="probe") as pool:
        return list(pool.map(one, listed))
