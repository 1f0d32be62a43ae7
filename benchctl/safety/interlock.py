"""The interlock: what must hold before and while an output that can hurt is live. No input or output, time handed in.

Rules:
 1. Nothing is asked of a motor controller but through this; the state table below is all there is.
 2. CLEARED needs every statement attested and not expired, the boards unchanged since, and their outputs idle.
 3. A condition that goes (LAPSE: an attestation expires, a board restarts or is replugged, an answer says the
    board's own guard is idle) leads to SAFE from anywhere; the way back is the whole way.
 4. STOPPED is left only by RENEW, a deliberate new start; releasing a key does nothing (the principle of ISO 13850;
    from memory). After it, everything has to be attested anew.
 5. What pulse outputs can emit is changed, and servos are swung over their range, only while it is attested that the
    motors' battery is unplugged; asking for it to be plugged in voids that.
 6. A lesson (full throttle at a controller without power) begins only with that and all statements attested; whatever
    voids these, or a stop, ends it.
 7. The board's own guard enforces cap, slew, keep-alive and silence by itself; this only adds to that.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from benchctl.errors import BenchctlError
from benchctl.safety.attestation import SUPPLY_OFF, VALID_S, statements
from benchctl.terms import Role


class Locked(BenchctlError):
    """The interlock does not allow it; the text says which condition is not met."""


class State(StrEnum):
    SAFE = "safe"  # something is missing; outputs idle
    CLEARED = "cleared"  # every condition holds; outputs idle
    CHALLENGED = "challenged"  # the board's nonce is out
    ARMED = "armed"  # the board has accepted; throttle at idle
    LIVE = "live"  # throttle above idle
    STOPPED = "stopped"  # stopped on purpose; final until renewed


class Change(StrEnum):
    CLEAR = "all conditions hold"
    CHALLENGE = "board gave a nonce"
    ACCEPT = "board accepted the answer"
    RAISE = "throttle above idle"
    LOWER = "throttle to idle"
    DISARM = "disarmed on purpose"
    LAPSE = "a condition went"
    STOP = "stop pressed"
    RENEW = "deliberate new start"


#: the board's guard drops after so long without a request; a host that was so late does not go on by itself
KEEP_ALIVE_S = 0.25

_ANYWHERE = {Change.DISARM: State.SAFE, Change.LAPSE: State.SAFE, Change.STOP: State.STOPPED}
TABLE: Mapping[State, Mapping[Change, State]] = {
    State.SAFE: {Change.CLEAR: State.CLEARED, **_ANYWHERE},
    State.CLEARED: {Change.CHALLENGE: State.CHALLENGED, Change.CLEAR: State.CLEARED, **_ANYWHERE},
    State.CHALLENGED: {Change.ACCEPT: State.ARMED, **_ANYWHERE},
    State.ARMED: {Change.RAISE: State.LIVE, Change.LOWER: State.ARMED, **_ANYWHERE},
    State.LIVE: {Change.RAISE: State.LIVE, Change.LOWER: State.ARMED, **_ANYWHERE},
    State.STOPPED: {
        Change.RENEW: State.SAFE,
        Change.DISARM: State.STOPPED,
        Change.LAPSE: State.STOPPED,
        Change.STOP: State.STOPPED,
    },
}


@dataclass(frozen=True, slots=True)
class Given:
    """An attestation that was accepted: when, and until when it counts."""

    at: float
    until: float


class Interlock:
    """One run's interlock. cap: fraction of full throttle that may be asked for at most.

    All times are bench time in seconds.
    """

    def __init__(self, cap: float = 0.20) -> None:
        self.wanted = statements(cap)
        self.cap = cap
        self.state = State.SAFE
        self._given: dict[str, Given] = {}
        self._idle: set[Role] = set()
        self._number = self._late = 0
        self._asked_at = 0.0
        self._lesson = False  # full throttle stands, or stood, at a controller that got its power under it
        # a stop comes from another thread, or from a signal's handler in the middle of a change
        self._changing = threading.RLock()

    # ------------------------------------------------------------------ conditions

    def set_cap(self, cap: float) -> None:
        """Another cap for what follows; never while armed. Raises ValueError above the most allowed, Locked."""
        if self.state in (State.ARMED, State.LIVE, State.CHALLENGED):
            raise Locked("the cap cannot be changed while armed")
        self.wanted = statements(cap)
        self.cap = cap

    def attest(self, name: str, now: float) -> float:
        """An attestation whose challenge was answered; returns until when it counts."""
        until = now + VALID_S
        self._given[name] = Given(now, until)
        return until

    def valid(self, name: str, now: float) -> bool:
        """Whether a statement is attested and not expired."""
        given = self._given.get(name)
        return given is not None and now < given.until

    def noticed(self, late: int) -> None:
        """How often the host has been late so far (`bench.late`): when it was so again, all attestations are void.

        Whoever attested cannot be expected to be still there, or the craft to be as it was.
        """
        if late != self._late:
            self._late = late
            self.lapse()

    def saw_idle(self, role: Role) -> None:
        """The board's guard has been read and is idle."""
        self._idle.add(role)

    def plugged(self) -> None:
        """The motors' battery is asked for, or has come."""
        self._given.pop(SUPPLY_OFF.name, None)

    def lapse(self, role: Role | None = None, *, asked: bool = False) -> None:
        """A board restarted or was replugged, or its guard went idle: all attestations are void.

        asked: the host itself restarted it; that plugs no battery in.
        """
        self._lesson = False
        off = self._given.get(SUPPLY_OFF.name) if asked else None
        self._given.clear()
        if off is not None:
            self._given[SUPPLY_OFF.name] = off
        self._idle.clear()
        self._move(Change.LAPSE)

    def obstacles(self, role: Role, now: float) -> list[str]:
        """What keeps the board from being armed, as sentences; empty: nothing."""
        out = self._missing(now)
        if role not in self._idle:
            out.append(f"the {role} board's outputs have not been seen idle")
        return out

    def _missing(self, now: float) -> list[str]:
        out = ["the run has been stopped"] if self.state is State.STOPPED else []
        for statement in self.wanted:
            given = self._given.get(statement.name)
            if given is None:
                out.append(f"not attested: {statement.text}")
            elif now >= given.until:
                out.append(f"attested more than {VALID_S / 60:g} minutes ago: {statement.text}")
        return out

    # ------------------------------------------------------------------ arming and throttle

    def clear(self, role: Role, now: float) -> None:
        """All conditions hold. Raises Locked naming the first that does not."""
        obstacles = self.obstacles(role, now)
        if obstacles:
            raise Locked(obstacles[0])
        self._step(Change.CLEAR)

    def arming(self, channel: int, nonce: int, label: str, role: Role, now: float) -> dict[str, Any]:
        """The fields of the request that arms, for a nonce that the board gave. Raises Locked."""
        self._check(role, now)
        self._step(Change.CHALLENGE)
        return {"channel": channel, "nonce": nonce, "label": label, "cap_permille": round(1000 * self.cap)}

    def wiring(self, nonce: int, label: str, now: float) -> dict[str, Any]:
        """The fields of the request that lets the wiring be changed, for a nonce that the board gave. Raises Locked."""
        self.check_off(now)
        return {"channel": 0, "nonce": nonce, "label": label, "cap_permille": 0}

    def check_off(self, now: float) -> None:
        """Raises Locked unless it is attested that the motors' battery is unplugged, and nothing is armed."""
        if self.state in (State.STOPPED, State.CHALLENGED, State.ARMED, State.LIVE):
            raise Locked(f"the wiring of pulse outputs is not changed while {self.state}")
        if not self.valid(SUPPLY_OFF.name, now):
            raise Locked(f"not attested: {SUPPLY_OFF.text}")

    def begin_lesson(self, now: float) -> None:
        """Full throttle may go out, at a controller without power. Raises Locked."""
        self.check_off(now)
        self._lesson = True
        self.check_lesson(now)

    def check_lesson(self, now: float) -> None:
        """Raises Locked unless a lesson has begun and nothing has ended it."""
        missing = self._missing(now)
        if missing or not self._lesson:
            self._lesson = False
            raise Locked(missing[0] if missing else "the lesson is over: what was attested for it is void")

    def end_lesson(self) -> None:
        """It is over; safe to call at any time."""
        self._lesson = False

    def accepted(self) -> None:
        """The board is armed."""
        self._number = 0
        self._step(Change.ACCEPT)

    def throttle(self, channel: int, permille: int, role: Role, now: float, both_ways: bool = False) -> dict[str, Any]:
        """The fields of a throttle request, the only ones there are. Raises Locked when it is not allowed.

        both_ways: a reversible controller, which turns backwards below 0; the cap holds on both sides.
        """
        self._check(role, now)
        most = round(1000 * self.cap)
        if not (-most if both_ways else 0) <= permille <= most:
            raise Locked(f"throttle {permille / 10:g} % is above the cap of {100 * self.cap:g} %")
        if self._number and now - self._asked_at > KEEP_ALIVE_S:
            self.lapse()
            raise Locked(f"this computer was late: {now - self._asked_at:.1f} s between two requests for throttle")
        self._step(Change.RAISE if permille else Change.LOWER)
        self._number += 1
        self._asked_at = now
        return {"channel": channel, "permille": permille, "number": self._number}

    def disarm(self) -> None:
        """On purpose, at the end of a stage; the attestations stay valid until they expire."""
        self._idle.clear()
        self._move(Change.DISARM)

    def stop(self) -> None:
        """The stop: final until `renew`."""
        self._lesson = False
        self._given.clear()
        self._idle.clear()
        self._move(Change.STOP)

    def renew(self) -> None:
        """A deliberate new start after a stop; everything has to be attested anew."""
        self._step(Change.RENEW)
        self._given.clear()  # what came in while the stop did
        self._idle.clear()

    @property
    def may_move(self) -> bool:
        """Whether outputs may be live."""
        return self.state in (State.ARMED, State.LIVE)

    # ------------------------------------------------------------------ the table

    def _check(self, role: Role, now: float) -> None:
        obstacles = self.obstacles(role, now)
        if obstacles:
            self._move(Change.LAPSE)
            raise Locked(obstacles[0])

    def _step(self, change: Change) -> None:
        """A change that must be allowed here."""
        with self._changing:
            if change not in TABLE[self.state]:
                raise Locked(f"{change} is not possible while {self.state}")
            self.state = TABLE[self.state][change]

    def _move(self, change: Change) -> None:
        """A change that is allowed everywhere."""
        with self._changing:
            self.state = TABLE[self.state][change]


def picture() -> str:
    """The state table as a Markdown table, for DEVELOPERS.md."""
    changes = list(Change)
    head = "| state | " + " | ".join(changes) + " |"
    rule = "|" + " --- |" * (len(changes) + 1)
    rows = [f"| {state} | " + " | ".join(str(TABLE[state].get(c, "–")) for c in changes) + " |" for state in TABLE]
    return "\n".join([head, rule, *rows])
