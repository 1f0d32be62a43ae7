"""Facts about the hand unit's switches and joystick."""

from __future__ import annotations

from collections.abc import Callable

from benchctl import facts as fc
from benchctl.findings.record import Answer, Known, RecordQuery, named_value, surely_above
from benchctl.terms import Reading, Role, Verdict

#: mA: less is no resistor at all
LEAST_PULL_MA = 5e-4


def _switches(name: str, holds: Callable[[Reading], bool]) -> Callable[[RecordQuery, Role], Answer]:
    def ask(record: RecordQuery, role: Role) -> Answer:
        found = [r for s in ("switch1", "switch2") for r in record.all(f"{role}.{s}_{name}", "controls")]
        if not found:
            return None
        bad = [r for r in found if holds(r)]
        return Known(bool(bad), ", ".join(named_value(r) for r in (bad or found)))

    return ask


def _axes(record: RecordQuery, role: Role, name: str) -> list[Reading]:
    return [r for a in ("x", "y") for r in record.all(f"{role}.{a}_{name}", "controls")]


def _exchanged(record: RecordQuery, role: Role) -> Answer:
    if not record.all(f"{role}.right_moves", "controls"):
        return None
    found = record.fact(fc.AxesExchanged, "controls")
    if found is None:
        return Known(False, "each axis moves with its own direction")
    return Known(not any(r.value > 20 for r in _axes(record, role, "noise")), found.sentence())


def _unpowered(record: RecordQuery, role: Role) -> Answer:
    highs = _axes(record, role, "high")
    return Known(all(r.value < 60 for r in highs), ", ".join(map(named_value, highs))) if highs else None


def _gap(record: RecordQuery, role: Role) -> Answer:
    gaps, spans = _axes(record, role, "gap"), _axes(record, role, "span")
    if not gaps or len(gaps) != len(spans):
        return None
    bad = [g for g, s in zip(gaps, spans, strict=True) if g.value > 40 and s.value > 500]
    return Known(bool(bad), ", ".join(map(named_value, bad or gaps)))


def _loose(record: RecordQuery, role: Role) -> Answer:
    noise = _axes(record, role, "noise")
    wanders = [surely_above(r, 15) for r in noise]
    if not noise or (None in wanders and True not in wanders):
        return None
    bad = [r for r, yes in zip(noise, wanders, strict=True) if yes]
    return Known(bool(bad), ", ".join(map(named_value, bad or noise)))


def _stick_dead(record: RecordQuery, role: Role) -> Answer:
    """An axis does not span, or does not follow where the two are not exchanged."""
    spans = _axes(record, role, "span")
    moves = [r for how in ("right", "up") for r in record.all(f"{role}.{how}_moves", "controls")]
    if len(spans) < 2:
        return None
    follows = moves if record.fact(fc.AxesExchanged, "controls") is None else []
    bad = [r for r in (*spans, *follows) if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad or [*spans, *follows])))


def _noisy(record: RecordQuery, role: Role) -> Answer:
    """More noise than a sound track gives; the stick works all the same."""
    noise = _axes(record, role, "noise")
    bad = [r for r in noise if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad or noise))) if noise else None


def _pinned(high: bool) -> Callable[[RecordQuery, Role], Answer]:
    """An axis that stays at one end of the converter, whatever is done, while the other does not."""

    def ask(record: RecordQuery, role: Role) -> Answer:
        ends = _axes(record, role, "low" if high else "high")
        if len(ends) < 2:
            return None
        bad = [r for r in ends if (r.value > 960 if high else r.value < 60)]
        return Known(len(bad) == 1 or (high and bool(bad)), ", ".join(map(named_value, bad or ends)))

    return ask


HAND_FACTS: dict[str, Callable[[RecordQuery, Role], Answer]] = {
    "bounce": _switches("bounce_ms", lambda r: r.verdict is Verdict.FAIL),
    "unheld": _switches("unheld", lambda r: r.value > 0),
    "pull_wrong": _switches("pull_ma", lambda r: r.verdict is Verdict.FAIL and r.value > LEAST_PULL_MA),
    "stray": _switches("stray", lambda r: r.value > 0),
    "never_pressed": _switches("presses", lambda r: r.value == 0),
    "exchanged": _exchanged,
    "unpowered": _unpowered,
    "gap": _gap,
    "loose": _loose,
    "stick_dead": _stick_dead,
    "noisy": _noisy,
    "pinned_high": _pinned(True),
    "pinned_low": _pinned(False),
}
