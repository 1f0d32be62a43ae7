"""Deciding a loss rate packet by packet: Wald's sequential probability ratio test with a cap.

A. Wald, Sequential Analysis (1947), chapter 3. After n packets with d lost, the test goes on while
`-h0 + s n < d < h1 + s n`. Wald's own lines use ln((1-beta)/alpha) and ln(beta/(1-alpha)); their true error
rates can lie a little above the stated ones. The lines used here unless told otherwise, ln(1/alpha) and
ln(beta), never do (Wald's inequality: P(wrongly bad | good) <= 1/A, P(wrongly good | bad) <= B, for any
moment of looking); they cost about 2 % more packets. Reaching the cap is no decision, so a cap cannot raise
either rate; neither can looking only now and then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, check_counts
from benchctl.errors import UsageError


class Decision(Enum):
    """Where a sequential test stands."""

    CONTINUE = "continue"
    GOOD = "good"
    BAD = "bad"
    CAPPED = "capped"  # the cap was reached between the lines: undecided


@dataclass(frozen=True, slots=True)
class Characteristic:
    """What the test does at true loss rates `loss`, all arrays of one length: the three probabilities add to
    1, `mean_packets` is the expected number of packets."""

    loss: Floats
    good: Floats
    bad: Floats
    undecided: Floats
    mean_packets: Floats


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    """The lines of a sequential test.

    good, bad: loss rates, 0 < good < bad < 1. alpha: chance to call a link at `good` bad. beta: chance to
    call one at `bad` good. cap: most packets, None for six times the expected number at the slowest rate.
    guaranteed: False takes Wald's own lines. Raises UsageError when the rates are out of order.
    """

    good: float = 0.005
    bad: float = 0.02
    alpha: float = 0.05
    beta: float = 0.05
    cap: int | None = None
    guaranteed: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.good < self.bad < 1:
            raise UsageError(f"loss rates: 0 < good < bad < 1 is needed, got {self.good} and {self.bad}")
        if not (0 < self.alpha < 0.5 and 0 < self.beta < 0.5):
            raise UsageError(f"error rates must be between 0 and 0.5, got {self.alpha} and {self.beta}")
        if self.cap is not None and self.cap < 1:
            raise UsageError(f"the cap must be at least 1 packet, got {self.cap}")

    @property
    def _unit(self) -> float:
        """What one lost packet adds to the log likelihood ratio, over what one good packet takes."""
        return math.log(self.bad * (1 - self.good) / (self.good * (1 - self.bad)))

    @property
    def h0(self) -> float:
        """Intercept of the accept-good line, negative."""
        return math.log(self.beta if self.guaranteed else self.beta / (1 - self.alpha)) / self._unit

    @property
    def h1(self) -> float:
        """Intercept of the accept-bad line, positive."""
        return math.log((1 if self.guaranteed else 1 - self.beta) / self.alpha) / self._unit

    @property
    def slope(self) -> float:
        """Slope of both lines: the loss rate at which the test takes longest."""
        return math.log((1 - self.good) / (1 - self.bad)) / self._unit

    @property
    def most(self) -> int:
        """The cap in packets."""
        if self.cap is not None:
            return self.cap
        return math.ceil(6 * -self.h0 * self.h1 / (self.slope * (1 - self.slope)))

    def decide(self, lost: int, sent: int) -> Decision:
        """The decision when `lost` of `sent` packets are lost and no earlier look has decided."""
        check_counts(lost, sent)
        if lost >= self.h1 + self.slope * sent:
            return Decision.BAD
        if lost <= self.h0 + self.slope * sent:
            return Decision.GOOD
        return Decision.CAPPED if sent >= self.most else Decision.CONTINUE

    def good_up_to(self, sent: int) -> int:
        """Most lost packets that mean GOOD after `sent`; -1: none yet."""
        return max(-1, math.floor(self.h0 + self.slope * sent))

    def bad_from(self, sent: int) -> int:
        """Fewest lost packets that mean BAD after `sent`; may be more than `sent`."""
        return math.ceil(self.h1 + self.slope * sent)

    def expected_packets(self, loss: float) -> float:
        """Wald's approximation of the mean number of packets without a cap (section 3.5), for good and
        bad."""
        step = loss - self.slope
        if abs(step) < 1e-12:
            return -self.h0 * self.h1 / (self.slope * (1 - self.slope))
        accept = 1 - self.alpha if step < 0 else self.beta
        return (accept * self.h0 + (1 - accept) * self.h1) / step

    def characteristic(self, loss: npt.ArrayLike) -> Characteristic:
        """The operating characteristic with the cap, exact: the probability of every (lost, sent) is carried
        forward packet by packet.

        loss: true loss rates, shape (k,) or a number.
        """
        rates = np.atleast_1d(np.asarray(loss, np.float64))
        alive = np.zeros((len(rates), self.bad_from(self.most) + 2))
        alive[:, 0] = 1.0
        good, bad, packets = np.zeros(len(rates)), np.zeros(len(rates)), np.zeros(len(rates))
        low, high = 0, 0
        for sent in range(1, self.most + 1):
            now = alive[:, low : high + 2]
            packets += now.sum(axis=1)
            moved = now * rates[:, None]
            now -= moved
            now[:, 1:] += moved[:, :-1]
            high = min(high + 1, alive.shape[1] - 2)
            accept, reject = self.good_up_to(sent), self.bad_from(sent)
            if reject <= high:
                bad += alive[:, reject : high + 1].sum(axis=1)
                alive[:, reject : high + 1] = 0.0
                high = reject - 1
            if accept >= low:
                good += alive[:, low : accept + 1].sum(axis=1)
                alive[:, low : accept + 1] = 0.0
                low = accept + 1
        return Characteristic(rates, good, bad, alive[:, low : high + 1].sum(axis=1), packets)


class SequentialTest:
    """A running sequential test. The first decision stands: what is added after it is not counted.

    Takes the arguments of `SequentialPlan`.
    """

    def __init__(
        self,
        good: float = 0.005,
        bad: float = 0.02,
        alpha: float = 0.05,
        beta: float = 0.05,
        cap: int | None = None,
        guaranteed: bool = True,
    ) -> None:
        self.plan = SequentialPlan(good, bad, alpha, beta, cap, guaranteed)
        self.lost = 0
        self.sent = 0
        self.decision = Decision.CONTINUE

    @property
    def done(self) -> bool:
        return self.decision is not Decision.CONTINUE

    def add(self, lost: bool) -> Decision:
        """One packet."""
        return self.add_counts(int(lost), 1)

    def add_counts(self, lost: int, sent: int) -> Decision:
        """A batch whose inner order is not known: looks once, at its end."""
        check_counts(lost, sent)
        if not self.done:
            self.lost += lost
            self.sent += sent
            self.decision = self.plan.decide(self.lost, self.sent)
        return self.decision

    def add_many(self, lost: npt.ArrayLike) -> Decision:
        """Packets in order, shape (n,), true where lost; the same as `add` one by one."""
        flags = np.asarray(lost, np.bool_)[: self.plan.most - self.sent]
        if self.done or not len(flags):
            return self.decision
        count = self.lost + np.cumsum(flags)
        sent = self.sent + np.arange(1, len(flags) + 1)
        line = self.plan.slope * sent
        crossed = (count >= self.plan.h1 + line) | (count <= self.plan.h0 + line)
        last = int(np.argmax(crossed)) if crossed.any() else len(flags) - 1
        self.lost, self.sent = int(count[last]), int(sent[last])
        self.decision = self.plan.decide(self.lost, self.sent)
        return self.decision
