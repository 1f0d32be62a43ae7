"""What the state machine that is thrown at a board is made of: the pair, the count of its states, the usual way."""

from __future__ import annotations

from collections import Counter
from typing import ClassVar

import always_watched
from guard_model import KEEP_ALIVE_S, defaults
from hypothesis.stateful import RuleBasedStateMachine, invariant
from proof_rig import Rig

from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.terms import Role
from benchctl.wire import msg

#: settings drawn here have an idle at which this motor turns
TURNS = {HarmKind("pulse"), HarmKind("turning")}


class Base(RuleBasedStateMachine):
    """A pair and what holds after each step; rules are the others'."""

    kind = "sim"
    wiring = ""
    #: a minute of a chip's time is not too long
    patient = False
    images: dict[Role, str] | None = None
    #: pulses seen and above idle, over all examples: proof that the machine gets anywhere
    seen = above = examples = 0
    bench_s = 0.0
    #: requests and waits that led to each state, and changes from state to state
    steps: ClassVar[Counter[str]] = Counter()
    changes: ClassVar[Counter[tuple[str, str]]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        always_watched.complaints(set(HarmKind), True)  # of an example before, which has failed already
        self.rig = Rig(self.kind, images=self.images, wiring=self.wiring)
        self.rig.judged = self._count
        self._state = "idle"
        self._nonces: set[int] = set()

    def _count(self) -> None:
        """Where each request and each wait has led."""
        model, now = self.rig.model, self.rig.now()
        fed = now <= model.fed_at + KEEP_ALIVE_S
        state = "wiring" if model.wiring else "challenged" if model.nonce is not None else "idle"
        if model.armed and fed:
            state = "live" if model.target else "armed"
        type(self).steps[state] += 1
        if state != self._state:
            type(self).changes[(self._state, state)] += 1
        self._state = state

    @invariant()
    def nothing_seen(self) -> None:
        """By the watch that every test is under."""
        wrong = always_watched.complaints(TURNS, False)
        assert not wrong, "; ".join(wrong)

    def _live(self, permille: int = 200, radio: int = 0) -> None:
        """A motor that turns, whatever was before: what follows has something to end."""
        rig = self.rig
        if not (rig.model.armed and rig.model.target):
            self._usual()
            rig.arm(radio)
        rig.drive(permille, 1.1)

    def _usual(self) -> None:
        """Wired as it is usually, confirmed, nothing open."""
        rig, model = self.rig, self.rig.model
        usual = {**defaults(), "role": 1, "motor": 1}
        if model.wiring:
            rig.ask(msg.Stop(silent=0))
        if model.confirmed == model.sealed == usual:
            return
        rig.power_cycle()

    def teardown(self) -> None:
        rig = self.rig
        try:
            rig.wait(0.3)
            cls = type(self)
            cls.seen += len(rig.pulses.all)
            cls.above += rig.above
            cls.examples += 1
            cls.bench_s += rig.now()
        finally:
            rig.close()
