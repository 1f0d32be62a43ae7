"""Do the intervals cover the truth, and does the sequential test keep its promises?

    python tests/campaigns/statistics_campaign.py --benches 2000 --seed 1 [--write]

draws random benches of known truth, measures each as a stage would, and prints how often the 95 % intervals
contained the truth. Wanted is 93 to 97.5 %; exact intervals and hard bounds may be above. The models of the
world here are written on their own and share no code with what they test. `--write` writes the table into results.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl.analysis import clocks, droop, equivalence, latency, loss, pose, sweep
from benchctl.terms import Interval, Reading, Source
from tests.campaigns import published

Rng = np.random.Generator
Checks = dict[str, bool]

LOW, HIGH = 0.93, 0.975


@dataclass(frozen=True)
class Row:
    """One line of the table. exact: may cover more than the level says."""

    what: str
    hits: int
    count: int
    exact: bool

    @property
    def share(self) -> float:
        return self.hits / self.count if self.count else math.nan

    def holds(self) -> bool:
        return self.share >= LOW and (self.exact or self.share <= HIGH)

    def plausible(self) -> bool:
        """As `holds`, with room for the chance of a small sample."""
        room = loss.clopper_pearson(self.hits, self.count, 0.9995)
        return room.high >= LOW and (self.exact or room.low <= HIGH)


def inside(interval: Interval | None, truth: float) -> bool:
    return interval is not None and truth in interval


# ---------------------------------------------------------------------------------------------- loss, latency


def loss_bench(rng: Rng) -> Checks:
    rate, sent = 10 ** rng.uniform(-2.7, -0.5), int(rng.integers(50, 5000))
    lost = rng.random(sent) < rate
    hits = int(lost.sum())
    return {"loss, exact *": inside(loss.clopper_pearson(hits, sent), rate)}


def drift_bench(rng: Rng) -> Checks:
    sent, start, end = int(rng.integers(500, 5000)), *rng.uniform(0.02, 0.3, 2)
    times = np.sort(rng.uniform(0, 600, sent))
    lost = rng.random(sent) < start + (end - start) * times / 600
    return {"loss drift": inside(loss.loss_drift(times, lost).interval, (end - start) / 600)}


def latency_bench(rng: Rng) -> Checks:
    count, kind = int(rng.integers(400, 3000)), int(rng.integers(3))
    shares = np.array([0.5, 0.95, 0.99])
    if kind == 0:
        delays, truth = rng.exponential(100, count) + 300, 300 - 100 * np.log1p(-shares)
    elif kind == 1:
        delays, truth = rng.uniform(300, 700, count), 300 + 400 * shares
    else:  # one packet in twenty is repeated after a millisecond, one in a thousand is lost
        late, gone = rng.random(count) < 0.05, rng.random(count) < 0.001
        delays = np.where(gone, np.inf, rng.uniform(300, 400, count) + 1000 * late)
        at = shares / 0.999
        truth = np.where(at < 0.95, 300 + 100 * at / 0.95, 1300 + 100 * (at - 0.95) / 0.05)
    return {
        f"latency p{100 * p:g} *": inside(latency.quantile_interval(delays, p), t)
        for p, t in zip(shares.tolist(), truth.tolist(), strict=True)
    }


# ------------------------------------------------------------------------------------------------------ clocks


class Oscillator:
    """A clock whose rate is off, drifts, and wanders in straight pieces; time and reading in µs."""

    def __init__(self, rng: Rng, length: float, drift_ppm_s: float, wander_ppm: float, pieces: int = 400) -> None:
        self.at = np.linspace(-0.1 * length, 1.2 * length, pieces)
        self.step = self.at[1] - self.at[0]
        walk = np.concatenate(([0.0], np.cumsum(rng.normal(0, 1, pieces - 1)))) / math.sqrt(pieces)
        drift = drift_ppm_s * (self.at - length / 2) / 1e6
        self.rate = (rng.uniform(-5000, 5000) + drift + wander_ppm * walk) * 1e-6
        mean = (self.rate[1:] + self.rate[:-1]) / 2
        self.ahead = rng.uniform(0, 1e6) + np.concatenate(([0.0], np.cumsum(mean * self.step)))

    def __call__(self, time: float | np.ndarray) -> np.ndarray:
        t = np.asarray(time, np.float64)
        i = np.clip(((t - self.at[0]) / self.step).astype(int), 0, len(self.at) - 2)
        part = t - self.at[i]
        bend = (self.rate[i + 1] - self.rate[i]) / self.step
        return t + self.ahead[i] + self.rate[i] * part + bend * part * part / 2

    def time_of(self, reading: float) -> float:
        guess = reading - self.ahead[0]
        for _ in range(8):
            guess -= float(self(guess)) - reading
        return guess


def ticks(reading: np.ndarray) -> np.ndarray:
    """Cut off to 0.5 µs."""
    return np.floor(reading * 2) / 2


def a_drift(rng: Rng) -> float:
    return float(rng.choice([0.0, rng.normal(0, 0.3)]))


def a_wander(rng: Rng) -> float:
    return float(rng.choice([0.0, 10 ** rng.uniform(-2, 0.5)]))


def board_bench(rng: Rng) -> Checks:
    count, length = int(rng.integers(20, 1500)), rng.uniform(2e6, 60e6)
    a = Oscillator(rng, length, a_drift(rng), 0.0)
    b = Oscillator(rng, length, a_drift(rng), a_wander(rng))
    start = (np.arange(count) + rng.uniform(0, 0.3, count)) * length / count
    air, late = rng.uniform(70, 600), rng.choice([0.0, 0.3, 2.0])
    there, turn, back = (
        air + rng.exponential(late, count),
        rng.uniform(200, 400, count),
        air + rng.exponential(late, count),
    )
    t1, t2 = ticks(a(start)), ticks(b(start + there))
    t3, t4 = ticks(b(start + there + turn)), ticks(a(start + there + turn + back))
    found = clocks.relate_boards(t1, t2, t3, t4)

    def offset(reading: float) -> float:
        return float(b(a.time_of(reading))) - reading

    when = float(a(rng.uniform(0, length)))
    first, last = found.skew_over
    skew = (offset(last) - offset(first)) / (last - first) * 1e6
    near = length * 1e-4
    now, half = found.skew_at(when)
    true_now = (offset(when + near) - offset(when - near)) / (2 * near) * 1e6
    return {
        "board-board offset": inside(found.offset_interval(when), offset(when)),
        "board-board mean skew": inside(found.skew_interval, skew),
        "board-board skew at a moment": abs(now - true_now) <= half,
    }


def host_delays(rng: Rng, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Out: USB frame; back: latency timer; both with or without the host's own lateness."""
    frame, timer = rng.choice([125.0, 1000.0]), rng.choice([1000.0, 16000.0])
    out = 300 + rng.uniform(0, frame, count) + rng.choice([0.0, 1.0]) * rng.exponential(40, count)
    back = 300 + rng.uniform(0, timer, count) + rng.choice([0.0, 1.0]) * rng.exponential(60, count)
    return out, back


def _host(rng: Rng, length: float, count: int, wander: float, drift: float, kind: str) -> Checks:
    board = Oscillator(rng, length, drift, wander)
    sent = (np.arange(count) + rng.uniform(0, 0.7, count)) * length / count
    out, back = host_delays(rng, count)
    stamp = ticks(board(sent + out))
    found = clocks.relate_host(sent, stamp, sent + out + back, out_least=240, back_least=240)
    first, last = found.skew_over
    ahead = [float(board(t)) - t for t in (first, last)]
    when = rng.uniform(0, length)
    return {
        f"board-host offset, {kind} *": inside(found.offset_interval(when), float(board(when)) - when),
        f"board-host mean skew, {kind}": inside(found.skew_interval, (ahead[1] - ahead[0]) / (last - first) * 1e6),
    }


def host_bench(rng: Rng) -> Checks:
    return _host(rng, rng.uniform(4e6, 12e6), int(rng.integers(100, 1200)), 0.0, rng.normal(0, 0.02), "seconds")


def long_host_bench(rng: Rng) -> Checks:
    length = rng.uniform(35e6, 120e6)
    return _host(rng, length, int(length / 1e6 * rng.uniform(8, 30)), a_wander(rng), a_drift(rng), "minutes")


# ------------------------------------------------------------------------------------------------ fits


def rail(ohms: float, uf: float, esr: float, amps: float, until: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Voltage of a 5 V rail by marching the capacitor's charge in small steps: times in µs, volts."""
    step = min(end, (ohms + esr) * uf) / 2000
    count = math.ceil(end / step) + 2
    keep = math.exp(-step / ((ohms + esr) * uf))
    inner, volts = 5.0, np.empty(count)
    for i in range(count):
        load = amps if i * step < until else 0.0
        volts[i] = (5.0 * esr + inner * ohms - load * ohms * esr) / (ohms + esr)
        goal = 5.0 - load * ohms
        inner = goal + (inner - goal) * keep
    return np.arange(count) * step, volts


def droop_bench(rng: Rng) -> Checks:
    while True:
        ohms, uf, esr = 10 ** rng.uniform(-0.5, 1.3), 10 ** rng.uniform(0, 2.3), 10 ** rng.uniform(-1.5, 0)
        amps, tau = rng.uniform(0.01, 0.8), (ohms + esr) * uf
        if 0.1 < amps * ohms < 2 and 40 < tau < 3000:
            break
    aperture = float(rng.choice([0.0, 13.0]))
    until = rng.uniform(1, 6) * tau
    step = max(10.0, until / 300)
    times = np.arange(-20 * step, 2 * until, step) + 0.37 * step
    volts = seen_rail(times, aperture, ohms, uf, esr, amps, until)
    lsb = 5 / 1024
    volts = np.round((volts + rng.normal(0, 0.6 * lsb, len(times))) / lsb) * lsb
    found = droop.fit_droop(times, volts, amps, until=until, aperture=aperture, lsb=lsb)
    instant = amps * ohms * esr / (ohms + esr)
    depth = instant + (amps * ohms - instant) * -math.expm1(-until / tau)
    return {
        "droop amplitude": inside(found.amplitude.interval, depth),
        "droop time constant": inside(found.tau.interval, tau),
        "droop source ohms": inside(found.source.interval, ohms),
        "droop capacity": inside(found.capacity.interval, uf),
        "droop ESR": inside(found.esr.interval, esr),
        "droop amplitude within 10 % *": abs(found.amplitude.value / depth - 1) <= 0.1,
        "droop time constant within 20 % *": abs(found.tau.value / tau - 1) <= 0.2,
    }


def seen_rail(
    times: np.ndarray, aperture: float, ohms: float, uf: float, esr: float, amps: float, until: float
) -> np.ndarray:
    """What a converter with an aperture sees of `rail`, which rests before time 0."""
    grid, volts = rail(ohms, uf, esr, amps, until, float(times.max()) + aperture + 50)
    if aperture == 0:
        drop_at = np.interp(times, grid, volts)
        return np.where(times < 0, 5.0, drop_at)
    fine = times[:, None] + aperture * (np.arange(200) + 0.5) / 200
    return np.where(fine < 0, 5.0, np.interp(fine, grid, volts)).mean(axis=1)


def ramp_bench(rng: Rng) -> Checks:
    """A regulator at its limit: the rail falls on a straight line."""
    slope, esr, amps = -(10 ** rng.uniform(-4, -2.5)), rng.uniform(0.05, 0.5), rng.uniform(0.1, 1.0)
    until = rng.uniform(0.3, 1.5) / -slope
    times = np.linspace(-0.1 * until, 0.999 * until, int(rng.integers(60, 400)))
    volts = 5 + np.where(times >= 0, slope * times - esr * amps, 0) + rng.normal(0, 0.003, len(times))
    found = droop.fit_droop(times, volts, amps, until=until)
    return {
        "ramp slope": inside(found.slope.interval, slope),
        "ramp capacity": inside(found.capacity.interval, amps / -slope),
    }


def sweep_bench(rng: Rng) -> Checks:
    slope, offset, sd = rng.uniform(0.5, 2), rng.uniform(-50, 50), rng.uniform(0.2, 3)
    lag = rng.uniform(-5, 5)
    steps = np.linspace(1000, 2000, int(rng.integers(11, 60)))
    x, rising = np.concatenate((steps, steps[::-1])), np.repeat([True, False], len(steps))
    y = offset + slope * x + rng.normal(0, sd, len(x))
    line = sweep.fit_line(x, y)
    back = sweep.hysteresis(x, y + np.where(rising, 0, lag), rising)
    return {
        "sweep slope": inside(line.slope_interval(), slope),
        "sweep offset": inside(line.offset_interval(), offset),
        "sweep hysteresis": inside(back.interval, lag),
    }


def pose_bench(rng: Rng) -> Checks:
    truth = np.array(list(pose.POSES.values()))
    gain, offset = 1 + rng.uniform(-0.03, 0.03, 3), rng.uniform(-0.08, 0.08, 3)
    measured = truth * gain + offset + rng.normal(0, 0.002, truth.shape)
    found = pose.fit_poses(measured, truth)
    return {
        "pose scale": inside(found.scale_intervals[0], gain[0]),
        "pose offset": inside(found.offset_intervals[2], offset[2]),
    }


BENCHES: tuple[Callable[[Rng], Checks], ...] = (
    loss_bench,
    drift_bench,
    latency_bench,
    board_bench,
    host_bench,
    long_host_bench,
    droop_bench,
    ramp_bench,
    sweep_bench,
    pose_bench,
)


def coverage(benches: int, seed: int, makers: Iterable[Callable[[Rng], Checks]] = BENCHES) -> list[Row]:
    """One row a checked interval; a star in its name marks what may be above the level."""
    rows = []
    for number, maker in enumerate(makers):
        results = [maker(np.random.default_rng([seed, number, i])) for i in range(benches)]
        for name in results[0]:
            hits = sum(r[name] for r in results)
            rows.append(Row(name.removesuffix(" *"), hits, benches, name.endswith("*")))
    return rows


# ------------------------------------------------------------------------------- decisions


@dataclass(frozen=True)
class Promise:
    """A number that must be at most `limit`."""

    what: str
    value: float
    limit: float

    def holds(self) -> bool:
        return self.value <= self.limit


def sequential(benches: int, seed: int) -> list[Promise]:
    """Error rates and mean packets: by simulation, packet by packet, and exactly."""
    rng = np.random.default_rng([seed, 100])
    plan = loss.SequentialPlan()
    packets = fixed_size(plan.good, plan.bad, plan.alpha, plan.beta)
    exact = plan.characteristic([plan.good, plan.bad, 0.001, 0.05])
    rows = [
        Promise("good link called bad, exact", float(exact.bad[0]), plan.alpha),
        Promise("bad link called good, exact", float(exact.good[1]), plan.beta),
    ]
    for rate, wrong, limit in ((plan.good, loss.Decision.BAD, plan.alpha), (plan.bad, loss.Decision.GOOD, plan.beta)):
        ends = [_run(rng, rate) for _ in range(benches)]
        missed = sum(t.decision is wrong for t in ends) / benches
        rows.append(Promise(f"wrong at {rate:.1%} loss, simulated", missed, limit + 3 * math.sqrt(limit / benches)))
    for k, (rate, limit) in enumerate(((0.001, 0.45), (0.05, 0.15))):
        mean = sum(_run(rng, rate).sent for _ in range(benches)) / benches
        rows.append(Promise(f"packets at {rate:.1%} loss over fixed size {packets}, simulated", mean / packets, limit))
        exact_mean = float(exact.mean_packets[2 + k])
        rows.append(Promise(f"packets at {rate:.1%} loss over fixed size, exact", exact_mean / packets, limit))
    return rows


def _run(rng: Rng, rate: float) -> loss.SequentialTest:
    test = loss.SequentialTest()
    while not test.done:
        test.add_many(rng.random(500) < rate)
    return test


def comparison(benches: int, seed: int) -> list[Promise]:
    """Families of twelve readings in which nothing changed, and in which one moved by exactly the margin."""
    rng = np.random.default_rng([seed, 200])
    alike = sum(_any_worse(rng, 0.0) for _ in range(benches)) / benches
    edge = sum(_any_worse(rng, 1.0) for _ in range(benches)) / benches
    room = 3 * math.sqrt(0.05 / benches)
    return [
        Promise("any false worse, nothing changed", alike, 0.05),
        Promise("any false worse, one reading moved by its margin", edge, 0.05 + room),
    ]


def _any_worse(rng: Rng, moved: float) -> bool:
    evidence = []
    for k in range(4):
        shift = moved if k == 0 else 0.0
        a, b = rng.normal(100, 8, 60), rng.normal(100 + 2 * shift, 8, 50)
        evidence.append(by_means(a, b, equivalence.Margin(absolute=2)))
    for k in range(4):
        rate = rng.uniform(0.002, 0.05)
        counts = [(int(rng.binomial(n, rate)), n) for n in (1500, 1200)]
        evidence.append(equivalence.compare_proportions(f"loss{k}", *counts, equivalence.Margin(absolute=0.005)))
    for _ in range(4):
        a, b = 300 + rng.exponential(100, 800), 300 + rng.exponential(100, 700)
        margin = equivalence.Margin(relative=0.05)
        evidence.append(by_quantiles(a, b, 0.95, margin))
    return any(e.outcome is equivalence.Outcome.WORSE for e in equivalence.decide(evidence))


def fixed_size(good: float, bad: float, alpha: float, beta: float) -> int:
    """Fewest packets of a test of fixed length with these error rates, by scipy's binomial tails."""
    most, packets = 0, 1
    while True:
        while stats.binom.cdf(most, packets, bad) > beta:
            packets += 1
        if stats.binom.sf(most, packets, good) <= alpha:
            return packets
        most += 1


def by_means(a: np.ndarray, b: np.ndarray, margin: equivalence.Margin) -> equivalence.Evidence:
    """As a comparison of two runs sees two means: with their 95 % intervals."""
    found = []
    for sample in (a, b):
        half = stats.t.ppf(0.975, len(sample) - 1) * stats.sem(sample)
        found.append(_reading(float(sample.mean()), Interval(sample.mean() - half, sample.mean() + half)))
    return equivalence.compare_readings(*found, margin)


def by_quantiles(a: np.ndarray, b: np.ndarray, p: float, margin: equivalence.Margin) -> equivalence.Evidence:
    found = [_reading(latency.quantile(sample, p), latency.quantile_interval(sample, p)) for sample in (a, b)]
    return equivalence.compare_readings(*found, margin)


def _reading(value: float, interval: Interval | None) -> Reading:
    return Reading("x", value, "us", 1, interval, Source.SAMPLING)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="one object instead of the table")
    parser.add_argument("--write", action="store_true", help="write the table into tests/campaigns/results")
    asked = parser.parse_args(arguments)
    rows = coverage(asked.benches, asked.seed)
    promises = sequential(asked.benches, asked.seed) + comparison(min(asked.benches, 500), asked.seed)
    if asked.write:
        published.put("statistics", "Coverage of the intervals", block(rows, promises, asked.benches, asked.seed))
    if asked.json:
        shares = {r.what: {"covered": r.share, "exact": r.exact, "holds": r.holds()} for r in rows}
        values = {p.what: {"value": p.value, "limit": p.limit, "holds": p.holds()} for p in promises}
        print(json.dumps({"benches": asked.benches, "seed": asked.seed, "coverage": shares, "promises": values}))
    else:
        print(table(rows, promises, asked.benches))
    return 0 if all(r.holds() for r in rows) and all(p.holds() for p in promises) else 1


def table(rows: list[Row], promises: list[Promise], benches: int) -> str:
    lines = [f"{'95 % interval of':<44} {'covered':>8}  wanted ({benches} benches)"]
    for r in rows:
        wanted = "93 % or more" if r.exact else "93 to 97.5 %"
        lines.append(f"{r.what:<44} {r.share:>8.2%}  {wanted}{'' if r.holds() else '   MISSED'}")
    lines += ["", f"{'promise':<60} {'value':>7}  at most"]
    lines += [f"{p.what:<60} {p.value:>7.4f}  {p.limit:.4f}{'' if p.holds() else '   MISSED'}" for p in promises]
    return "\n".join(lines)


def block(rows: list[Row], promises: list[Promise], benches: int, seed: int) -> list[str]:
    """What stands in the file of results."""
    command = f"python tests/campaigns/statistics_campaign.py --benches {benches} --seed {seed} --write"
    covered = [(r.what, "from 93 %" if r.exact else "93 to 97.5 %", f"{r.share:.2%}", _said(r)) for r in rows]
    kept = [(p.what, f"{p.limit:.4f} at most", f"{p.value:.4f}", _said(p)) for p in promises]
    heads = [("95 % interval of", "wanted", "covers", ""), ("promise", "wanted", "found", "")]
    tables = [
        ["| " + " | ".join(cells) + " |" for cells in (head, ("---",) * len(head), *found)]
        for head, found in zip(heads, (covered, kept), strict=True)
    ]
    return [f"`{command}`", "", *tables[0], "", *tables[1]]


def _said(row: Row | Promise) -> str:
    return "held" if row.holds() else "MISSED"


if __name__ == "__main__":
    sys.exit(main())
