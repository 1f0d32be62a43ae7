"""A run's log as facts: each a yes or no about one board or the pair, with the readings it came from.

A fact that could not be looked at, because its stage did not run or did not get so far, is left out: unknown is
neither for nor against any cause. Thresholds are between what tolerance allows and what fails a limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from benchctl.runs.summary import BoardSummary, StageSummary, Summary
from benchctl.terms import Reading, Role, Verdict

#: the fact that something failed, which every cause predicts
LIMIT = "limit"
_BOARDS = (Role.HAND, Role.CRAFT)
#: a fact's answer: whether it holds, and the readings in words; None: not looked at
Answer = tuple[bool, str] | None


@dataclass(frozen=True, slots=True)
class Fact:
    """board None: of the pair. text: the reading or note behind it, for people."""

    name: str
    board: Role | None
    holds: bool
    text: str


class Log:
    """Questions to a summary, by stage kind: procedures name their stages as they like."""

    def __init__(self, summary: Summary) -> None:
        self.summary = summary

    def stages(self, *kinds: str) -> list[StageSummary]:
        return [s for s in self.summary.stages.values() if s.kind in kinds and s.verdict is not Verdict.NOT_RUN]

    def all(self, name: str, *kinds: str) -> list[Reading]:
        """Measured readings of that name, in the order of the stages."""
        found = (s.readings.get(name) for s in self.stages(*kinds))
        return [r for r in found if r is not None and r.measured]

    def one(self, name: str, *kinds: str) -> Reading | None:
        found = self.all(name, *kinds)
        return found[-1] if found else None

    def value(self, name: str, *kinds: str) -> float | None:
        found = self.one(name, *kinds)
        return None if found is None else found.value

    def largest(self, name: str, *kinds: str) -> Reading | None:
        return max(self.all(name, *kinds), key=lambda r: r.value, default=None)

    def board(self, role: Role) -> BoardSummary | None:
        return self.summary.boards.get(role)

    def noted(self, text: str, *kinds: str) -> str:
        """The first note of those stages that has the text in it, or ""."""
        notes = (n.text for s in self.stages(*kinds) for n in s.notes)
        return next((n for n in notes if text in n), "")

    def failed(self, text: str, *kinds: str) -> str:
        """The part of a stage's reason that has the text in it, or ""."""
        for stage in self.stages(*kinds):
            for part in stage.reason.split("; "):
                if text in part:
                    return part
        return ""


def _said(reading: Reading) -> str:
    return f"{reading.name} {reading.text()}"


def _above(log: Log, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    found = log.largest(name, *kinds)
    return None if found is None else (found.value > limit, _said(found))


def _below(log: Log, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    found = min(log.all(name, *kinds), key=lambda r: r.value, default=None)
    return None if found is None else (found.value < limit, _said(found))


def _any(*answers: Answer) -> Answer:
    """Yes if any known answer is yes; unknown if none is known."""
    known = [a for a in answers if a is not None]
    if not known:
        return None
    yes = [a for a in known if a[0]]
    return (bool(yes), ", ".join(a[1] for a in (yes or known)))


def _both(*answers: Answer) -> Answer:
    """Yes if all are yes; unknown if one is unknown and none is no."""
    no = [a for a in answers if a is not None and not a[0]]
    if no:
        return no[0]
    if None in answers:
        return None
    return True, ", ".join(a[1] for a in answers if a is not None)


# ---------------------------------------------------------------------- one board's supply

_SUPPLY, _HUNT, _SOAK = ("supply",), ("load_hunt",), ("soak",)


def _rest_dead(log: Log, role: Role) -> Answer:
    return _below(log, f"{role}.radio_volts", _SUPPLY, 1.5)


def _rest_low(log: Log, role: Role) -> Answer:
    """Lower than the regulator makes it, while the processor's rail can feed it."""
    low = _below(log, f"{role}.radio_volts", _SUPPLY, 3.12)
    fed = _above(log, f"{role}.vcc", _SUPPLY, 4.45)
    dead = _rest_dead(log, role)
    if low is None or fed is None or dead is None:
        return None
    return low[0] and fed[0] and not dead[0], low[1]


def _listen_lost(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.listening_lost", *_SUPPLY)
    return None if found is None else (found.value > 0, "the transceiver forgets its settings while it listens")


def _listen_drop(log: Log, role: Role) -> Answer:
    return _below(log, f"{role}.radio_volts_listening", _SUPPLY, 3.08)


def _listen_collapse(log: Log, role: Role) -> Answer:
    """It cannot be fed even the steady 13 mA of listening, while a burst alone hardly shows."""
    lost, dip, dead = _listen_lost(log, role), log.one(f"{role}.transmit_dip", *_SUPPLY), _rest_dead(log, role)
    if dead is not None and dead[0]:
        return dead
    if lost is None or dip is None:
        return None
    return lost[0] and dip.value < 0.12, f"{lost[1] if lost[0] else 'it listens'}, {_said(dip)}"


def _burst_lost(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.settings_lost", *_SUPPLY)
    return None if found is None else (found.value > 0, "the transceiver forgets its settings when it sends")


def _burst_dip(log: Log, role: Role) -> Answer:
    return _above(log, f"{role}.transmit_dip", _SUPPLY, 0.27)


def _burst_resistive(log: Log, role: Role) -> Answer:
    """The rail goes to a level of its own, with the load's ohms, and stays there: no capacitor holds that up."""
    dip = _above(log, f"{role}.transmit_dip", _SUPPLY, 0.05)
    if dip is None:
        return None
    ohms = log.one(f"{role}.transmit_source", *_SUPPLY)
    bulk = log.one(f"{role}.transmit_bulk", *_SUPPLY)
    if not dip[0] or ohms is None:
        return False, dip[1]
    tau = log.value(f"{role}.transmit_tau", *_SUPPLY)
    return ohms.value >= 6.0 and (tau is not None or bulk is None), _said(ohms)


def _sending_low(log: Log, role: Role) -> Answer:
    return _below(log, f"{role}.radio_volts_sending", _HUNT, 2.9)


def _main_low(log: Log, role: Role) -> Answer:
    return _below(log, f"{role}.vcc", _SUPPLY, 4.5)


def main_ohms(log: Log, role: Role) -> Reading | None:
    """Ohms of the processor's supply path, by whichever way stands furthest above the converter's step."""
    ohms = log.one(f"{role}.led_source", *_SUPPLY)
    droop = log.value(f"{role}.led_droop", *_SUPPLY)
    if ohms is not None and droop is not None and droop > 0.05:
        return ohms
    path = log.one(f"{role}.path_ohms", *_HUNT)
    if path is not None and path.interval is not None and path.interval.low > 0.4:
        return path
    return ohms if ohms is not None and droop is not None and droop > 0.025 else None


def _main_soft(log: Log, role: Role) -> Answer:
    """More than a sound source and a short cable have: about 1 Ω together (common practice, no source)."""
    ohms = main_ohms(log, role)
    measured = log.one(f"{role}.path_ohms", *_HUNT) or log.one(f"{role}.led_droop", *_SUPPLY)
    by_ohms = None if measured is None else (ohms is not None and ohms.value > 1.7, _said(ohms or measured))
    return _any(by_ohms, _above(log, f"{role}.led_sag", _HUNT, 0.3))


def _main_joint(log: Log, role: Role) -> Answer:
    """More ohms than any cable has."""
    ohms = main_ohms(log, role)
    measured = log.one(f"{role}.path_ohms", *_HUNT) or log.one(f"{role}.led_droop", *_SUPPLY)
    if measured is None:
        return None
    return ohms is not None and ohms.value > 10.5, _said(ohms or measured)


def _servo_sag(log: Log, role: Role) -> Answer:
    return _any(
        _above(log, f"{role}.servo_droop", _SUPPLY, 0.12),
        _above(log, f"{role}.servo_sag", _HUNT, 0.12),
        _triggered(log, role, "servo"),
    )


def _triggered(log: Log, role: Role, load: str) -> Answer:
    looked = log.one(f"{role}.resets", *_HUNT)
    if looked is None:
        return None
    found = log.one(f"{role}.trigger_{load}", *_HUNT)
    text = log.noted(f"{role}: trouble comes with", *_HUNT)
    return found is not None, text or f"{role}: the load hunt names no {load}"


def _brown_out_reset(log: Log, role: Role) -> Answer:
    board = log.board(role)
    if board is None or not board.seen:
        return None
    resets = [r for r in board.resets if not r.asked and r.cause in ("brown-out", "power on", "unknown", "reset line")]
    where = ", ".join(sorted({r.stage or "between stages" for r in resets}))
    text = (
        f"{role}: {len(resets)} restarts by {resets[0].cause} ({where})" if resets else f"{role}: no brown-out restart"
    )
    return bool(resets), text


def _program_reset(log: Log, role: Role) -> Answer:
    board = log.board(role)
    if board is None or not board.seen:
        return None
    resets = [r for r in board.resets if not r.asked and r.cause in ("watchdog", "stack overflow")]
    if not resets:
        return False, f"{role}: no restart by the watchdog"
    low = min(r.facts.get("lowest_vcc", 0.0) for r in resets)
    supply = f", supply never below {low:.2f} V in the life before" if low > 0 else ""
    return True, f"{role}: {len(resets)} restarts by {resets[0].cause}{supply}"


def _forgets(log: Log, role: Role) -> Answer:
    """Settings lost although no transmission was shown to do it."""
    seen = _any(
        _above(log, f"{role}.radio_losses", (*_HUNT, *_SOAK), 0),
        _spontaneous(log, role),
        _above(log, f"{role}.forgot_settings", ("radio_link",), 0),
    )
    by_sending = _burst_lost(log, role)
    trigger = _triggered(log, role, "transmit")
    if seen is None or not _transceiver_whole(log, role):
        return None
    explained = (by_sending is not None and by_sending[0]) or (trigger is not None and trigger[0])
    return seen[0] and not explained, seen[1]


def _transceiver_whole(log: Log, role: Role) -> bool:
    """No line of it was found broken: one that cannot be read has no settings to forget."""
    return not log.noted(f"{role}: transceiver line ", "transceiver") and not log.noted(
        f"{role}: the transceiver does not take its settings; the hunt", *_HUNT
    )


def _spontaneous(log: Log, role: Role) -> Answer:
    text = log.failed(f"the {role} board's transceiver does not hold its settings", "radio_link")
    return (True, text) if text else None


def _brown_out_level(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.brown_out_level", *_SUPPLY)
    return None if found is None else (found.value < 2.5, f"{_said(found)} {found.note}")


def _brown_out_margin(log: Log, role: Role) -> Answer:
    return _any(
        _below(log, f"{role}.brown_out_margin", _SUPPLY, 0.0),
        _below(log, f"{role}.speed_margin", _SUPPLY, 0.0),
    )


# ---------------------------------------------------------------------- one board's transceiver, clock, line


def _line(kind: str) -> Callable[[Log, Role], Answer]:
    def ask(log: Log, role: Role) -> Answer:
        if log.one(f"{role}.wrong_bits", "transceiver") is None:
            return None
        found = log.noted(f"{role}: transceiver line ", "transceiver").rpartition(" ")[2]
        text = log.failed(f"{role}: ", "transceiver")
        return found == kind, text or f"{role}: no transceiver line found broken"

    return ask


def _refuses(log: Log, role: Role) -> Answer:
    """At rest, with its supply as it should be, it does not take its settings."""
    said = log.noted(f"{role}: the transceiver does not take its settings; the hunt", *_HUNT)
    said = said or log.failed(f"the {role} board refused 'droop'", *_SUPPLY)
    tried = log.one(f"{role}.transmit_dip", *_SUPPLY) or log.one(f"{role}.resets", *_HUNT)
    if not said and tried is None:
        return None
    return bool(said), said or f"{role}: the transceiver takes its settings at rest"


def _variant(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.plus_variant", "transceiver")
    return None if found is None else (found.value < 1, f"{role}: behaves as {found.note}")


def _oscillator(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.oscillator_error", "identity")
    return None if found is None else (found.verdict is Verdict.FAIL, _said(found))


def _damaged(log: Log, role: Role) -> Answer:
    """Frames damaged or events lost more than a restart in their middle explains."""
    board = log.board(role)
    if board is None or (not board.frames and not board.seen and not board.lost):
        return None
    silent = [s.reason for s in log.summary.stages.values() if f"the {role} board did not answer" in s.reason]
    count = board.damaged + board.lost_events
    text = f"{role}: {board.damaged} frames damaged and {board.lost_events} events lost, of {board.frames}"
    if silent and not any(not r.asked for r in board.resets):
        return True, silent[0]
    return count > 2 * len(board.resets), text


def _led(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.led_missed", "controls")
    return None if found is None else (found.value != 0, f"{_said(found)} {found.note}")


# ---------------------------------------------------------------------- hand: controls


def _switches(name: str, holds: Callable[[Reading], bool]) -> Callable[[Log, Role], Answer]:
    def ask(log: Log, role: Role) -> Answer:
        found = [r for s in ("switch1", "switch2") for r in log.all(f"{role}.{s}_{name}", "controls")]
        if not found:
            return None
        bad = [r for r in found if holds(r)]
        return bool(bad), ", ".join(_said(r) for r in (bad or found))

    return ask


def _axes(log: Log, role: Role, name: str) -> list[Reading]:
    return [r for a in ("x", "y") for r in log.all(f"{role}.{a}_{name}", "controls")]


def _exchanged(log: Log, role: Role) -> Answer:
    if not log.all(f"{role}.right_moves", "controls"):
        return None
    text = log.failed("are exchanged", "controls")
    loose = [r for r in _axes(log, role, "noise") if r.value > 20]
    return bool(text) and not loose, text or "each axis moves with its own direction"


def _unpowered(log: Log, role: Role) -> Answer:
    highs = _axes(log, role, "high")
    return (all(r.value < 60 for r in highs), ", ".join(map(_said, highs))) if highs else None


def _gap(log: Log, role: Role) -> Answer:
    gaps, spans = _axes(log, role, "gap"), _axes(log, role, "span")
    if not gaps or len(gaps) != len(spans):
        return None
    bad = [g for g, s in zip(gaps, spans, strict=True) if g.value > 40 and s.value > 500]
    return bool(bad), ", ".join(map(_said, bad or gaps))


def _loose(log: Log, role: Role) -> Answer:
    noise = _axes(log, role, "noise")
    bad = [r for r in noise if r.value > 15]
    return (bool(bad), ", ".join(map(_said, bad or noise))) if noise else None


# ---------------------------------------------------------------------- craft: servo, motor controller, sensor


def _unrest(log: Log, role: Role) -> Answer:
    still = _below(log, "width_jitter", ("joystick_to_servo",), 10.0)
    return _both(_above(log, "unrest", ("joystick_to_servo",), 1.6), still)


def _no_beeps(log: Log, role: Role) -> Answer:
    found = log.one("beeps", "esc_arming")
    return None if found is None else (found.value <= 0, f"{_said(found)} {found.note}")


def _low_idle_arms(log: Log, role: Role) -> Answer:
    found = log.one("beeps_low_idle", "esc_arming")
    return None if found is None else (found.value > 0, f"{_said(found)} {found.note}")


def _sensor_absent(log: Log, role: Role) -> Answer:
    text = log.failed("no inertial sensor answers", "inertial")
    if text:
        return True, text
    found = log.one("address", "inertial")
    return None if found is None else (False, found.note)


def _sensor_address(log: Log, role: Role) -> Answer:
    found = log.one("address", "inertial")
    if found is None:
        return None
    text = log.failed("AD0 is", "inertial")
    return bool(text), text or found.note


def _self_test(log: Log, role: Role) -> Answer:
    found = [
        r for s in log.stages("inertial") for n, r in s.readings.items() if n.startswith("self_test_") and r.measured
    ]
    bad = [r for r in found if r.verdict is Verdict.FAIL]
    return (bool(bad), ", ".join(map(_said, bad)) or "self-test within 14 %") if found else None


# ---------------------------------------------------------------------- the pair

_LINK = ("radio_link",)


def _limit(log: Log) -> Answer:
    """Something failed: healthy boards hardly ever do that, whatever is wrong with the others."""
    ran = [s for s in log.summary.stages.values() if s.verdict not in (None, Verdict.NOT_RUN)]
    failed = [s.name for s in ran if s.verdict is Verdict.FAIL]
    return (bool(failed), f"failed: {', '.join(failed)}" if failed else "no stage failed") if ran else None


def _settings_differ(log: Log) -> Answer:
    found = log.one("settings_differ", *_LINK)
    return None if found is None else (found.value > 0, f"radio settings: {found.note or 'alike'}")


def _firmware(log: Log) -> Answer:
    boards = [b for r in _BOARDS if (b := log.board(r)) is not None and b.seen and b.image_crc]
    if len(boards) < 2:
        return None
    one, other = boards[:2]
    differ = one.firmware != other.firmware or (one.clock_hz == other.clock_hz and one.image_crc != other.image_crc)
    return differ, "; ".join(f"{b.role} runs {b.firmware}, image {b.image_crc}" for b in (one, other))


def _busy(log: Log) -> Answer:
    return _above(log, "channel_busy", ("transceiver",), 14.0)


def _losses(log: Log) -> list[Reading]:
    return [r for d in ("hand_to_craft", "craft_to_hand") for r in log.all(f"{d}.loss", *_LINK)]


def _lossy(log: Log) -> Answer:
    """Failed as a link, some packets coming through."""
    echo = log.all("echo_loss", *_LINK)
    found = _losses(log) + echo
    if not found:
        return None
    worst = max(found, key=lambda r: r.value)
    return worst.verdict is Verdict.FAIL and worst.value < 97, _said(worst)


def _dead(log: Log) -> Answer:
    echo = log.one("echo_loss", *_LINK)
    return None if echo is None else (echo.value >= 97, _said(echo))


def _one_way(log: Log) -> Answer:
    found = _losses(log)
    if len(found) < 2:
        return None
    return abs(found[0].value - found[1].value) > 40, ", ".join(map(_said, found[:2]))


def _heard(log: Log) -> Answer:
    """Both sides see the other above the detector's -64 dBm; only looked at when packets are lost."""
    found = [r for d in ("hand_to_craft", "craft_to_hand") for r in log.all(f"{d}.heard", *_LINK)]
    if not found:
        return None
    return all(r.value > 15 for r in found), ", ".join(map(_said, found))


def _weak_better(log: Log) -> Answer:
    weak, echo = log.one("echo_loss_weak", *_LINK), log.one("echo_loss", *_LINK)
    if weak is None or echo is None:
        return None
    return weak.value < echo.value - 15, f"{_said(weak)} at the lowest power, {echo.text()} at full"


# ---------------------------------------------------------------------- all of them

BOARD_FACTS: dict[str, Callable[[Log, Role], Answer]] = {
    "rest_dead": _rest_dead,
    "rest_low": _rest_low,
    "listen_lost": _listen_lost,
    "listen_drop": _listen_drop,
    "listen_collapse": _listen_collapse,
    "burst_lost": _burst_lost,
    "burst_dip": _burst_dip,
    "burst_resistive": _burst_resistive,
    "sending_low": _sending_low,
    "main_low": _main_low,
    "main_soft": _main_soft,
    "main_joint": _main_joint,
    "servo_sag": _servo_sag,
    "trigger_transmit": lambda log, role: _triggered(log, role, "transmit"),
    "brown_out_reset": _brown_out_reset,
    "program_reset": _program_reset,
    "forgets": _forgets,
    "brown_out_level": _brown_out_level,
    "brown_out_margin": _brown_out_margin,
    **{
        f"line_{kind}": _line(kind)
        for kind in ("absent", "sck", "miso", "mosi", "miso_low", "spi", "irq_low", "ce", "irq", "swapped")
    },
    "refuses": _refuses,
    "variant": _variant,
    "oscillator": _oscillator,
    "damaged": _damaged,
    "led_dark": _led,
}
HAND_FACTS: dict[str, Callable[[Log, Role], Answer]] = {
    "bounce": _switches("bounce_ms", lambda r: r.verdict is Verdict.FAIL),
    "unheld": _switches("unheld", lambda r: r.value > 0),
    "stray": _switches("stray", lambda r: r.value > 0),
    "never_pressed": _switches("presses", lambda r: r.value == 0),
    "exchanged": _exchanged,
    "unpowered": _unpowered,
    "gap": _gap,
    "loose": _loose,
}
CRAFT_FACTS: dict[str, Callable[[Log, Role], Answer]] = {
    "unrest": _unrest,
    "no_beeps": _no_beeps,
    "low_idle_arms": _low_idle_arms,
    "sensor_absent": _sensor_absent,
    "sensor_address": _sensor_address,
    "self_test": _self_test,
}
PAIR_FACTS: dict[str, Callable[[Log], Answer]] = {
    LIMIT: _limit,
    "settings_differ": _settings_differ,
    "firmware": _firmware,
    "busy": _busy,
    "lossy": _lossy,
    "dead": _dead,
    "one_way": _one_way,
    "heard": _heard,
    "weak_better": _weak_better,
}


def facts(summary: Summary) -> list[Fact]:
    """Every fact that the log can tell."""
    log = Log(summary)
    return [*_board_facts(log), *_pair_facts(log)]


def _board_facts(log: Log) -> Iterable[Fact]:
    for role in _BOARDS:
        own = HAND_FACTS if role is Role.HAND else CRAFT_FACTS
        for name, ask in {**BOARD_FACTS, **own}.items():
            answer = ask(log, role)
            if answer is not None:
                yield Fact(name, role, *answer)


def _pair_facts(log: Log) -> Iterable[Fact]:
    for name, ask in PAIR_FACTS.items():
        answer = ask(log)
        if answer is not None:
            yield Fact(name, None, *answer)
