"""A run's log as facts: each a yes or no about one board or the pair, with the readings it came from.

A fact that could not be looked at, because its stage did not run or did not get so far, is left out: unknown is
neither for nor against any cause. Thresholds are between what tolerance allows and what fails a limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchctl.findings import supply_evidence as supply
from benchctl.findings.record import BOARDS, LIMIT, Answer, Fact, Log, above, below, both_of, said
from benchctl.runs.summary import Summary
from benchctl.terms import Reading, Role, Verdict

_SUPPLY, _HUNT, _SOAK = ("supply",), ("load_hunt",), ("soak",)

# ---------------------------------------------------------------------- one board's transceiver, clock, line


def _line(*kinds: str) -> Callable[[Log, Role], Answer]:
    """Whether the line found broken is one of these."""

    def ask(log: Log, role: Role) -> Answer:
        if log.one(f"{role}.wrong_bits", "transceiver") is None:
            return None
        found = log.noted(f"{role}: transceiver line ", "transceiver").rpartition(" ")[2]
        text = log.failed(f"{role}: ", "transceiver")
        return found in kinds, text or f"{role}: no transceiver line found broken"

    return ask


def _comes_and_goes(log: Log, role: Role) -> Answer:
    if log.one(f"{role}.wrong_bits", "transceiver") is None:
        return None
    text = log.noted(f"{role}: the transceiver comes and goes", "transceiver")
    heard = supply.listening(log, role)
    if not text and heard is not None and 0 < heard[0] < 0.6 * heard[1]:
        text = heard[2]
    return bool(text), text or f"{role}: the transceiver does not come and go"


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
    return None if found is None else (found.verdict is Verdict.FAIL, said(found))


def _damaged(log: Log, role: Role) -> Answer:
    """Frames damaged or events lost more than a restart in their middle explains."""
    board = log.board(role)
    if board is None or (not board.frames and not board.seen and not board.lost):
        return None
    silent = [s.reason for s in log.summary.stages.values() if f"the {role} board did not answer" in s.reason]
    # events missing without a damaged frame were never sent: more came at once than the board can keep
    count = board.damaged + (board.lost_events if board.damaged else 0)
    text = f"{role}: {board.damaged} frames damaged and {board.lost_events} events lost, of {board.frames}"
    if silent and not any(not r.asked for r in board.resets):
        return True, silent[0]
    return count > 2 * len(board.resets), text


def _led(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.led_missed", "controls")
    return None if found is None else (found.value != 0, f"{said(found)} {found.note}")


# ---------------------------------------------------------------------- hand: controls


def _switches(name: str, holds: Callable[[Reading], bool]) -> Callable[[Log, Role], Answer]:
    def ask(log: Log, role: Role) -> Answer:
        found = [r for s in ("switch1", "switch2") for r in log.all(f"{role}.{s}_{name}", "controls")]
        if not found:
            return None
        bad = [r for r in found if holds(r)]
        return bool(bad), ", ".join(said(r) for r in (bad or found))

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
    return (all(r.value < 60 for r in highs), ", ".join(map(said, highs))) if highs else None


def _gap(log: Log, role: Role) -> Answer:
    gaps, spans = _axes(log, role, "gap"), _axes(log, role, "span")
    if not gaps or len(gaps) != len(spans):
        return None
    bad = [g for g, s in zip(gaps, spans, strict=True) if g.value > 40 and s.value > 500]
    return bool(bad), ", ".join(map(said, bad or gaps))


def _loose(log: Log, role: Role) -> Answer:
    noise = _axes(log, role, "noise")
    bad = [r for r in noise if r.value > 15]
    return (bool(bad), ", ".join(map(said, bad or noise))) if noise else None


# ---------------------------------------------------------------------- craft: servo, motor controller, sensor


def _unrest(log: Log, role: Role) -> Answer:
    """Looked at on the board's own pulses; where the stick's were measured they must have been steady as well."""
    restless = above(log, "unrest", ("joystick_to_servo",), 1.6)
    still = below(log, "width_jitter", ("joystick_to_servo",), 10.0)
    return restless if still is None else both_of(restless, still)


def _no_beeps(log: Log, role: Role) -> Answer:
    found = log.one("beeps", "esc_arming")
    return None if found is None else (found.value <= 0, f"{said(found)} {found.note}")


def _odd_beeps(log: Log, role: Role) -> Answer:
    """Some, but not those of arming: it began to arm and lost the pulses, or says something else."""
    found = log.one("beeps", "esc_arming")
    if found is None:
        return None
    text = log.failed(f"gave {found.value:.0f} beeps", "esc_arming")
    return found.value > 0 and bool(text), text or f"{said(found)} {found.note}"


def _stutters(log: Log, role: Role) -> Answer:
    found = log.one("starts", "throttle_ramp")
    return None if found is None else (found.verdict is Verdict.FAIL, f"{said(found)} {found.note}")


def _low_idle_arms(log: Log, role: Role) -> Answer:
    found = log.one("beeps_low_idle", "esc_arming")
    return None if found is None else (found.value > 0, f"{said(found)} {found.note}")


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
    return (bool(bad), ", ".join(map(said, bad)) or "self-test within 14 %") if found else None


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
    boards = [b for r in BOARDS if (b := log.board(r)) is not None and b.seen and b.image_crc]
    if len(boards) < 2:
        return None
    one, other = boards[:2]
    own = one.firmware.startswith("own ")  # somebody's own sketches: each board has its own
    other_image = not own and one.clock_hz == other.clock_hz and one.image_crc != other.image_crc
    differ = one.firmware != other.firmware or other_image
    return differ, "; ".join(f"{b.role} runs {b.firmware}, image {b.image_crc}" for b in (one, other))


def _busy(log: Log) -> Answer:
    return above(log, "channel_busy", ("transceiver",), 14.0)


def _losses(log: Log) -> list[Reading]:
    return [r for d in ("hand_to_craft", "craft_to_hand") for r in log.all(f"{d}.loss", *_LINK)]


def _lossy(log: Log) -> Answer:
    """Failed as a link, some packets coming through."""
    echo = log.all("echo_loss", *_LINK)
    found = _losses(log) + echo
    if not found:
        return None
    failed = [r for r in found if r.verdict is Verdict.FAIL and r.value < 97]
    return bool(failed), said(max(failed or found, key=lambda r: r.value))


def _dead(log: Log) -> Answer:
    echo = log.one("echo_loss", *_LINK)
    return None if echo is None else (echo.value >= 97, said(echo))


def _one_way(log: Log) -> Answer:
    found = _losses(log)
    if len(found) < 2:
        return None
    return abs(found[0].value - found[1].value) > 40, ", ".join(map(said, found[:2]))


def _heard(log: Log) -> Answer:
    """Both sides see the other above the detector's -64 dBm; only looked at when packets are lost."""
    found = [r for d in ("hand_to_craft", "craft_to_hand") for r in log.all(f"{d}.heard", *_LINK)]
    if not found:
        return None
    return all(r.value > 15 for r in found), ", ".join(map(said, found))


def _weak_better(log: Log) -> Answer:
    weak, echo = log.one("echo_loss_weak", *_LINK), log.one("echo_loss", *_LINK)
    if weak is None or echo is None:
        return None
    return weak.value < echo.value - 15, f"{said(weak)} at the lowest power, {echo.text()} at full"


def _unheard(log: Log) -> Answer:
    """A side does not hear the other above -64 dBm; only looked at when packets are lost."""
    found = [r for d in ("hand_to_craft", "craft_to_hand") for r in log.all(f"{d}.heard", *_LINK)]
    return (any(r.value < 5 for r in found), ", ".join(map(said, found))) if found else None


def _no_reserve(log: Log) -> Answer:
    """Some packets at full power and none 18 dB below: the receiver is at its limit, whoever else is on the air."""
    weak, echo = log.one("echo_loss_weak", *_LINK), log.one("echo_loss", *_LINK)
    if weak is None or echo is None or echo.value >= 97:
        return None
    return weak.value >= 97, f"{said(weak)} at the lowest power, {echo.text()} at full"


# ---------------------------------------------------------------------- all of them

BOARD_FACTS: dict[str, Callable[[Log, Role], Answer]] = {
    "rest_dead": supply.rest_dead,
    "rest_low": supply.rest_low,
    "listen_lost": supply.listen_lost,
    "listen_drop": supply.listen_drop,
    "listen_collapse": supply.listen_collapse,
    "burst_lost": supply.burst_lost,
    "burst_dip": supply.burst_dip,
    "burst_resistive": supply.burst_resistive,
    "sending_low": supply.sending_low,
    "main_low": supply.main_low,
    "main_soft": supply.main_soft,
    "main_joint": supply.main_joint,
    "servo_sag": supply.servo_sag,
    "trigger_transmit": lambda log, role: supply.triggered(log, role, "transmit"),
    "trigger_led": lambda log, role: supply.triggered(log, role, "led"),
    "brown_out_reset": supply.brown_out_reset,
    "program_reset": supply.program_reset,
    "forgets": supply.forgets,
    "untriggered": supply.untriggered,
    "brown_out_level": supply.brown_out_level,
    "brown_out_margin": supply.brown_out_margin,
    **{f"line_{kind}": _line(kind) for kind in ("absent", "sck", "mosi", "miso_low", "spi", "ce", "swapped")},
    "line_miso": _line("miso", "miso_low"),
    "line_irq": _line("irq", "irq_low"),
    "comes_and_goes": _comes_and_goes,
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
    "odd_beeps": _odd_beeps,
    "stutters": _stutters,
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
    "unheard": _unheard,
    "no_reserve": _no_reserve,
}


def facts(summary: Summary) -> list[Fact]:
    """Every fact that the log can tell."""
    log = Log(summary)
    return [*_board_facts(log), *_pair_facts(log)]


def _board_facts(log: Log) -> Iterable[Fact]:
    for role in BOARDS:
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
