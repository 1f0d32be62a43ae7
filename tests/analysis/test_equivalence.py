"""Same, better, worse, undecided: published tests, scipy, and what must never be called worse."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchctl.analysis import equivalence as eq
from benchctl.analysis import latency
from benchctl.analysis.equivalence import Better, Margin, Outcome
from benchctl.errors import UsageError
from benchctl.terms import Interval, Reading, Source


def reading(value, interval):
    return Reading("x", value, "us", 1, interval, Source.SAMPLING)


def means(name, a, b, margin):
    """As a comparison of two runs sees two means: with their 95 % intervals."""
    found = []
    for sample in (a, b):
        half = stats.t.ppf(0.975, len(sample) - 1) * stats.sem(sample)
        found.append(reading(float(np.mean(sample)), Interval(np.mean(sample) - half, np.mean(sample) + half)))
    return eq.compare_readings(*found, margin)


def quantiles(name, a, b, p, margin):
    found = [reading(latency.quantile(sample, p), latency.quantile_interval(sample, p)) for sample in (a, b)]
    return eq.compare_readings(*found, margin)


def outcome(evidence):
    return eq.decide([evidence])[0].outcome


# ---------------------------------------------------------------------------- published tests


def test_tea_tasting_all_right():
    assert eq.fisher_tail(4, 0, 0, 4) == pytest.approx(1 / 70)


def test_shifted_proportions_without_shift_is_the_pooled_test():
    """15/200 against 25/200: z = -1.66667, two-sided p = 0.0955807 (pooled test, arithmetic)."""
    error = eq._restricted_error((15, 200), (25, 200), 0.0)

    assert (15 - 25) / 200 / error == pytest.approx(-1.66667, abs=1e-5)
    assert 2 * eq.normal_tail(10 / 200 / error) == pytest.approx(0.0955807, abs=5e-7)


@given(st.integers(0, 60), st.integers(0, 60), st.floats(-0.3, 0.3))
def test_restricted_estimate_is_the_likeliest(x1, x2, shift):
    """Farrington and Manning 1990: no p2 on a fine grid is likelier than the one found."""
    n1, n2 = 60, 60
    grid = np.linspace(max(0.0, -shift), min(1.0, 1 - shift), 4001)
    likely = stats.binom.logpmf(x1, n1, np.clip(grid + shift, 0, 1)) + stats.binom.logpmf(x2, n2, grid)
    p2 = grid[np.argmax(likely)]
    wanted = math.sqrt(abs((p2 + shift) * (1 - p2 - shift)) / n1 + p2 * (1 - p2) / n2)

    assert eq._restricted_error((x1, n1), (x2, n2), shift) == pytest.approx(wanted, abs=2e-3)


def test_holm():
    """Holm 1979: 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02 (by his rule)."""
    assert eq.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert eq.holm([]) == ()


# --------------------------------------------------------------------------------- outcomes


RNG = np.random.default_rng(12)
SLOW = RNG.normal(300, 10, 400)


@pytest.mark.parametrize(
    ("reference", "new", "wanted"),
    [
        ((5, 2000), (6, 2000), "same"),
        ((5, 2000), (90, 2000), "worse"),
        ((90, 2000), (5, 2000), "better"),
        ((1, 100), (3, 100), "undecided"),
        ((0, 2000), (0, 2000), "same"),
        ((0, 20), (0, 20), "undecided"),
        ((0, 0), (5, 10), "undecided"),
    ],
)
def test_outcomes_of_proportions(reference, new, wanted):
    """Loss, margin one percent point."""
    assert outcome(eq.compare_proportions("loss", reference, new, Margin(absolute=0.01))) == wanted


def measured(value, half=None, source=Source.SAMPLING, unit="us"):
    interval = None if half is None else Interval(value - half, value + half)
    return Reading("craft.pulse", value, unit, 50, interval, source)


@pytest.mark.parametrize(
    ("new", "wanted"),
    [
        (measured(1500, 1), "same"),
        (measured(1550, 1), "worse"),
        (measured(1450, 1), "better"),
        (measured(1508, 6), "undecided"),
        (measured(1500), "undecided"),
        (measured(math.nan, None), "undecided"),
    ],
)
def test_outcomes_of_readings_without_samples(new, wanted):
    assert outcome(eq.compare_readings(measured(1500, 1), new, Margin(absolute=10))) == wanted


@pytest.mark.parametrize(("new", "wanted"), [(610, "same"), (500, "worse"), (800, "better"), (math.nan, "undecided")])
def test_values_read_from_registers_have_no_error(new, wanted):
    margin = Margin(absolute=50, better=Better.HIGHER)
    reference = Reading("hand.free_stack", 620, "bytes", source=Source.NONE)

    found = eq.compare_readings(reference, Reading("hand.free_stack", new, "bytes", source=Source.NONE), margin)

    assert outcome(found) == wanted


def test_a_reading_is_compared_with_itself_only():
    with pytest.raises(UsageError, match="is not"):
        eq.compare_readings(measured(1, 1), measured(1, 1, unit="ms"), Margin(absolute=1))


def test_zero_scatter_is_decided_by_the_values():
    """Fifty equal pulses have an interval of no width."""
    same = eq.compare_readings(measured(1500, 0), measured(1505, 0), Margin(absolute=10))
    worse = eq.compare_readings(measured(1500, 0), measured(1511, 0), Margin(absolute=10))

    assert (outcome(same), outcome(worse)) == (Outcome.SAME, Outcome.WORSE)


def test_correction_for_many_readings():
    """A p-value of 0.02 is "worse" alone and not among ten."""
    one = eq.Evidence("x", 1, 2, 0.5, 0.02, 1.0, 0.9)
    rest = [eq.Evidence(f"y{k}", 1, 1, 0.5, 1.0, 1.0, 0.001) for k in range(9)]

    assert eq.decide([one])[0].outcome == "worse"
    found = eq.decide([one, *rest])
    assert found[0].outcome == "undecided"
    assert {e.outcome for e in found[1:]} == {Outcome.SAME}
    assert found[0].change == 1


def test_tea_tasting():
    """Fisher's table [[3,1],[1,3]]: 17/70 one-sided (R prints 0.2429)."""
    assert eq.fisher_tail(3, 1, 1, 3) == pytest.approx(17 / 70)


@given(*[st.integers(0, 30)] * 4)
def test_fisher_is_scipys(a, b, c, d):
    table = [[a, b], [c, d]]

    assert eq.fisher_tail(a, b, c, d) == pytest.approx(stats.fisher_exact(table, "greater").pvalue, abs=1e-9)


@pytest.mark.parametrize(
    ("shift", "wanted"), [(0, "same"), (40, "worse"), (-40, "better"), (10, "undecided"), (-10, "undecided")]
)
def test_outcomes_of_means(shift, wanted):
    """Lower is better, the margin is 10."""
    new = RNG.normal(300 + shift, 10, 400) if abs(shift) != 10 else SLOW + shift

    assert outcome(means("latency", SLOW, new, Margin(absolute=10))) == wanted


def test_higher_is_better():
    margin = Margin(relative=0.05, better=Better.HIGHER)
    rate = RNG.normal(900, 20, 100)

    assert outcome(means("rate", rate, rate * 0.8, margin)) == "worse"
    assert outcome(means("rate", rate, rate * 1.2, margin)) == "better"
    assert outcome(means("rate", rate, rate, margin)) == "same"


def test_target():
    """A servo centre of 1500 µs: away from it on either side is worse."""
    margin = Margin(absolute=5, better=Better.TARGET, target=1500)
    near = RNG.normal(1501, 1, 50)

    assert outcome(means("centre", near, near + 30, margin)) == "worse"
    assert outcome(means("centre", near, near - 30, margin)) == "worse"
    assert outcome(means("centre", near + 30, near, margin)) == "better"
    assert outcome(means("centre", near, 3000 - near, margin)) == "same"


def test_outcomes_of_quantiles():
    margin = Margin(relative=0.1)
    a, b = RNG.exponential(100, 3000) + 300, RNG.exponential(100, 3000) + 300

    assert outcome(quantiles("p95", a, b, 0.95, margin)) == "same"
    assert outcome(quantiles("p95", a, b + 200, 0.95, margin)) == "worse"
    assert outcome(quantiles("p95", a + 200, b, 0.95, margin)) == "better"
    assert outcome(quantiles("p95", a[:20], b, 0.95, margin)) == "undecided"
    assert outcome(quantiles("p50", a, np.where(b > 360, math.inf, b), 0.5, margin)) == "undecided"


@pytest.mark.parametrize(
    "call",
    [
        lambda: Margin(),
        lambda: Margin(absolute=-1),
        lambda: Margin(absolute=1, better=Better.TARGET),
        lambda: Margin(absolute=1, target=5),
        lambda: eq.compare_proportions("x", (5, 4), (1, 2), Margin(absolute=1)),
        lambda: eq.fisher_tail(-1, 0, 0, 0),
    ],
)
def test_nonsense_is_refused(call):
    with pytest.raises(UsageError):
        call()
