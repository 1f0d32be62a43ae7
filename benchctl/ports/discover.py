"""Which ports there are, and who answers on each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from enum import StrEnum

from serial.tools import list_ports

from benchctl.errors import PortLost
from benchctl.ports.access import CannotOpen, Trouble, open_line
from benchctl.ports.line import line_for
from benchctl.ports.listen import Answer, listen
from benchctl.ports.port import SerialPort
from benchctl.session.boot import Identity

#: how long a port may stay silent: common boot loaders wait up to 2 s
PATIENCE_S = 3.0
BAUD = 500_000


class State(StrEnum):
    """What a port turned out to be."""

    BOARD = "board"
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
    """What was found on a port. line: the still open port, where it was asked to be kept."""

    port: str
    state: State
    sentence: str
    description: str = ""
    identity: Identity | None = None
    baud: int = 0
    latency_ms: float | None = None
    line: SerialPort | None = field(default=None, compare=False)

    @property
    def label(self) -> str:
        return self.identity.label if self.identity is not None else ""

    def let_go(self) -> None:
        if self.line is not None:
            self.line.close()


def candidates() -> list[Candidate]:
    """The serial ports of this machine, without those that belong to wireless headsets and the like."""
    listed = [p for p in list_ports.comports() if "bluetooth" not in f"{p.device} {p.description} {p.hwid}".lower()]
    return [Candidate(p.device, _description(p.description, p.hwid)) for p in sorted(listed, key=lambda p: p.device)]


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
    keep: leave a board's port open, in `line`. Never raises for what it finds.
    """
    opened = open_line(port, baud or BAUD)
    if isinstance(opened, CannotOpen):
        return Found(port, _STATE_OF_TROUBLE[opened.trouble], opened.sentence, description)
    line = SerialPort(port, baud or BAUD, line_for(opened), lambda: None)
    kept = False
    try:
        found = replace(_judge(listen(line, seconds, only_this_speed=bool(baud))), description=description)
        found = replace(found, latency_ms=line.latency_ms)
        kept = keep and found.state is State.BOARD
        return replace(found, line=line) if kept else found
    except PortLost as e:
        return Found(port, State.GONE, str(e), description)
    finally:
        if not kept:
            line.close()


def _judge(heard: Answer) -> Found:
    """What was heard, as a state with its sentence."""
    name = heard.port
    if heard.identity is not None:
        return Found(name, State.BOARD, f"{name}: {_who(heard)}", identity=heard.identity, baud=heard.baud)
    if heard.refused:
        return Found(name, State.OTHER, heard.refused, baud=heard.baud)
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
    label = who.label or "without a label"
    speed = f", at {heard.baud} Bd" if heard.baud != BAUD else ""
    return f"{who.role or 'unknown'} board {label}, firmware {who.firmware}{speed}"


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
