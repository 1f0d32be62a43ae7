"""A run's record as evidence: each a yes or no about one board or the pair, with the readings or facts behind it.

What could not be looked at, because its stage did not run or did not get so far, is left out: unknown is neither for
nor against any cause. Thresholds are between what tolerance allows and what fails a limit. Only readings, facts and
verdicts are read, never a sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchctl import facts as fc
from benchctl.findings import sensor_evidence as sensor
from benchctl.findings import supply_evidence as supply
from benchctl.findings.control_evidence import HAND_FACTS
from benchctl.findings.record import (
    BOARDS,
    BUSY_PCT,
    COUNTS,
    LIMIT,
    MISCOUNT,
    OVERLOOKED,
    Answer,
    Evidence,
    Known,
    RecordQuery,
    above,
    below,
    both_of,
    counted,
    named_value,
    surely_above,
    surely_below,
)  # fmt: skip
from benchctl.runs.summary import Summary
from benchctl.session.boot import is_own_sketch
from benchctl.terms import Reading, Role, Source, Verdict

_SUPPLY, _HUNT, _SOAK = ("supply",), ("load_hunt",), ("soak",)

# ---------------------------------------------------------------------- one board's transceiver, clock, line


def _line(*kinds: fc.Line) -> Callable[[RecordQuery, Role], Answer]:
    """Whether the line found broken is one of these; unknown where it is another: the test names one of them all."""

    def ask(record: RecordQuery, role: Role) -> Answer:
        if record.one(f"{role}.wrong_bits", "transceiver") is None:
            return None
        found = record.fact(fc.LineBroken, "transceiver", board=role)
        if found is None:
            return Known(False, f"{role}: no transceiver line found broken")
        return Known(True, found.sentence()) if found.line in kinds else None

    return ask


def _comes_and_goes(record: RecordQuery, role: Role) -> Answer:
    if record.one(f"{role}.wrong_bits", "transceiver") is None:
        return None
    found, heard = record.fact(fc.ComesAndGoes, "transceiver", board=role), supply.listening(record, role)
    if found is not None:
        return Known(True, found.sentence())
    if heard is not None and 0 < heard[0] < 0.6 * heard[1]:
        return Known(True, heard[2])
    return Known(False, f"{role}: the transceiver does not come and go")


def _refuses(record: RecordQuery, role: Role) -> Answer:
    """At rest, with its supply as it should be, it does not take its settings."""
    found: fc.Fact | None = record.fact(fc.SettingsRefused, *_HUNT, board=role)
    if found is None:
        refused = record.facts(fc.RequestRefused, *_SUPPLY, board=role)
        found = next((f for f in refused if f.request == "droop"), None)
    if found is not None:
        return Known(True, found.sentence())
    tried = record.one(f"{role}.transmit_dip", *_SUPPLY) or record.one(f"{role}.resets", *_HUNT)
    return None if tried is None else Known(False, f"{role}: the transceiver takes its settings at rest")


def _variant(record: RecordQuery, role: Role) -> Answer:
    found = record.fact(fc.VariantFound, "transceiver", board=role)
    if found is None:
        return None
    # what loses its settings meanwhile answers like a chip that never took them
    lost = supply.settings_went(record, role)
    if found.variant is not fc.Variant.PLUS and lost is not None and lost.holds:
        return None
    return Known(found.variant is not fc.Variant.PLUS, found.sentence())


def _oscillator(record: RecordQuery, role: Role) -> Answer:
    found = record.one(f"{role}.oscillator_error", "identity")
    return None if found is None else Known(found.verdict is Verdict.FAIL, named_value(found))


def _damaged(record: RecordQuery, role: Role) -> Answer:
    """Frames damaged or events lost more than a restart in their middle explains."""
    board = record.board(role)
    if board is None or (not board.frames and not board.seen and not board.lost):
        return None
    # events missing without a damaged frame were never sent: more came at once than the board can keep
    count = board.damaged + (board.lost_events if board.damaged else 0)
    text = f"{role}: {board.damaged} frames damaged and {board.lost_events} events lost, of {board.frames}"
    return Known(count > 2 * len(board.resets), text)


def _joint_loose(record: RecordQuery, role: Role) -> Answer:
    """With a part pressed something failed that did not untouched."""
    found = record.fact(fc.JointLoose, "press_parts", board=role)
    if found is not None:
        return Known(True, found.sentence())
    tried = record.one(f"{role}.supply_faults", "press_parts")
    return None if tried is None else Known(False, f"{role}: pressing its parts changes nothing")


def _silent(record: RecordQuery, role: Role) -> Answer:
    """It had answered before, and then did not any more, with no restart told."""
    board = record.board(role)
    if board is None or (not board.frames and not board.seen and not board.lost):
        return None
    silent = record.fact(fc.BoardSilent, board=role)
    if silent is None or any(not r.asked for r in board.resets):
        return Known(False, f"{role}: it answers")
    return Known(True, silent.sentence())


def _led(record: RecordQuery, role: Role) -> Answer:
    """Dark when no blink was seen; some of them seen is a person's count, or a joint that makes now and then."""
    found = record.one(f"{role}.led_missed", "controls")
    if found is None or found.value > found.n:
        return None
    # a wrong count has been made `COUNTS` times, each with other blinks
    missed = found.value > 0
    wrong = OVERLOOKED if found.value in (0, found.n) else MISCOUNT
    return Known(missed, counted(found), wrong**COUNTS if missed else wrong)


# ---------------------------------------------------------------------- craft: servo, motor controller, sensor


def _unrest(record: RecordQuery, role: Role) -> Answer:
    """Looked at on the board's own pulses; where the stick's were measured they must have been steady as well."""
    restless = above(record, "unrest", ("joystick_to_servo",), 1.6)
    still = below(record, "width_jitter", ("joystick_to_servo",), 10.0)
    return restless if still is None else both_of(restless, still)


def _moved_reset(record: RecordQuery, role: Role) -> Answer:
    """The small movement that confirms an output restarted the board by want of supply."""
    found = record.facts(fc.OutputRestarts, "outputs", board=role)
    if found:
        return Known(True, found[0].sentence())
    return None if record.one("confirmed", "outputs") is None else Known(False, "outputs move and the board runs on")


def _moves_otherwise(record: RecordQuery, role: Role) -> Answer:
    """What a person saw move, as an output was tried, is not what is declared there."""
    found = record.fact(fc.OutputMoves, "outputs")
    if found is not None:
        return None if found.seen == "nothing" else Known(True, found.sentence(), OVERLOOKED)
    return (
        None
        if record.one("confirmed", "outputs") is None
        else Known(False, "no output moves what is declared of another")
    )


def _nothing_moves(record: RecordQuery, role: Role) -> Answer:
    """Nothing was seen to move as a servo's output was tried."""
    found = record.fact(fc.OutputMoves, "outputs")
    if found is not None:
        # looked at twice
        return Known(True, found.sentence(), OVERLOOKED**2) if found.seen == "nothing" else None
    return None if record.one("confirmed", "outputs") is None else Known(False, "every output moves something")


def _servo_unfed(record: RecordQuery, role: Role) -> Answer:
    """By meter, between the servo's plus and the board's ground; only asked where nothing moved."""
    found = [r for n in range(1, 7) for r in record.all(f"output{n}_servo_volts", "outputs")]
    bad = [r for r in found if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad or found))) if found else None


def _groundless(record: RecordQuery, role: Role) -> Answer:
    """By meter, between the board's ground and a motor controller's; only asked where one did not arm as recorded."""
    names = ("ground_ohms", *(f"output{n}.ground_ohms" for n in range(1, 7)))
    found = [r for name in names for r in record.all(name, "esc_arming", "throttle_ramp")]
    bad = [r for r in found if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad or found))) if found else None


def _no_beeps(record: RecordQuery, role: Role) -> Answer:
    found, again = record.one("beeps", "esc_arming"), record.one("beeps_low_idle", "esc_arming")
    if found is None:
        return None
    # nothing heard twice is not overheard twice
    times = 2 if again is not None and again.value <= 0 else 1
    return Known(found.value <= 0, named_value(found), OVERLOOKED**times)


def _turns_at_idle(record: RecordQuery, role: Role) -> Answer:
    turns = record.fact(fc.TurnsAtIdle, "esc_arming")
    if turns is not None:
        return Known(True, turns.sentence())
    return None if record.one("beeps", "esc_arming") is None else Known(False, "no motor turned at idle")


def _miscounted(found: Reading) -> float:
    """How often as many counts in a row, each made anew, are all wrong."""
    return float(MISCOUNT ** max(1, found.n))


def _unexpected_beeps(more: bool) -> Callable[[RecordQuery, Role], Answer]:
    """Some beeps, fewer or more than expected: it began to arm and lost the pulses, or says something else."""

    def ask(record: RecordQuery, role: Role) -> Answer:
        found = record.one("beeps", "esc_arming")
        if found is None:
            return None
        odd = record.fact(fc.BeepsUnexpected, "esc_arming")
        if odd is None or odd.counted <= 0:
            return Known(False, named_value(found), MISCOUNT)
        return Known((odd.counted > odd.expected) is more, odd.sentence(), _miscounted(found))

    return ask


def _stutters(record: RecordQuery, role: Role) -> Answer:
    found = record.one("starts", "throttle_ramp")
    if found is None:
        return None
    return Known(found.verdict is Verdict.FAIL, named_value(found), _miscounted(found))


def _low_idle_arms(record: RecordQuery, role: Role) -> Answer:
    found = record.one("beeps_low_idle", "esc_arming")
    return None if found is None else Known(found.value > 0, named_value(found), OVERLOOKED)


def _fed_back(record: RecordQuery, role: Role) -> Answer:
    found = record.fact(fc.FedBack, "esc_arming")
    rise = record.one("supply_rise", "esc_arming")
    if found is not None:
        return Known(True, found.sentence())
    return None if rise is None else Known(False, named_value(rise))


# ---------------------------------------------------------------------- the pair

_LINK = ("radio_link",)
#: % of echoes missing: nothing comes through
_DEAD = 90.0
#: % of looks: hardly ever heard
_HARDLY = 10.0


def _is_count(reading: Reading) -> bool:
    """Counted by a person; what one reads from a meter is measured."""
    return reading.source is Source.OPERATOR and not reading.unit


def _limit(record: RecordQuery) -> Answer:
    """Something failed: healthy boards hardly ever do that, whatever is wrong with the others."""
    ran = [s for s in record.summary.stages.values() if s.verdict not in (None, Verdict.NOT_RUN)]
    failed = [s for s in ran if s.verdict is Verdict.FAIL]
    if not failed:
        return Known(False, "no stage failed") if ran else None
    text = f"failed: {', '.join(s.name for s in failed)}"
    # what a person counted wrong fails a stage as well
    counts = all(s.failed_readings and all(_is_count(r) for r in s.failed_readings) for s in failed)
    return Known(True, text, MISCOUNT**COUNTS if counts else 0.0)


def _settings_differ(record: RecordQuery) -> Answer:
    found = record.one("settings_differ", *_LINK)
    differ = "; ".join(f.sentence() for f in record.facts(fc.SettingDiffers, *_LINK))
    return None if found is None else Known(found.value > 0, f"radio settings: {differ or 'alike'}")


def _firmware(record: RecordQuery) -> Answer:
    boards = [b for r in BOARDS if (b := record.board(r)) is not None and b.seen and b.image_crc.strip("?")]
    if len(boards) < 2:
        return None
    one, other = boards[:2]
    own = is_own_sketch(one.firmware)  # each board has its own
    other_image = not own and one.clock_hz == other.clock_hz and one.image_crc != other.image_crc
    differ = one.firmware != other.firmware or other_image
    return Known(differ, "; ".join(f"{b.role} runs {b.firmware}, image {b.image_crc}" for b in (one, other)))


def _busy(record: RecordQuery) -> Answer:
    return above(record, "channel_busy", ("transceiver",), BUSY_PCT)


def _losses(record: RecordQuery) -> list[Reading]:
    return [r for d in ("hand_to_craft", "craft_to_hand") for r in record.all(f"{d}.loss", *_LINK)]


def _lossy(record: RecordQuery) -> Answer:
    """Failed as a link, some packets coming through."""
    echo = record.all("echo_loss", *_LINK)
    found = _losses(record) + echo
    if not found:
        return None
    if any(surely_above(r, _DEAD) for r in echo):
        return None  # it is one or the other
    failed = [r for r in found if r.verdict is Verdict.FAIL and not surely_above(r, _DEAD)]
    return Known(bool(failed), named_value(max(failed or found, key=lambda r: r.value)))


def _dead(record: RecordQuery) -> Answer:
    echo, lossy = record.one("echo_loss", *_LINK), _lossy(record)
    if echo is None or (lossy is not None and lossy.holds):
        return None
    return Known(bool(surely_above(echo, _DEAD)), named_value(echo))


def _apart(better: Reading, worse: Reading, by: float) -> bool | None:
    """Whether the worse loses more than the better by so many per cent; None where their intervals leave it open."""
    if better.interval is None or worse.interval is None:
        return worse.value - better.value > by
    if worse.interval.low - better.interval.high > by:
        return True
    return False if worse.interval.high - better.interval.low <= by or worse.value - better.value <= 0.5 * by else None


def _one_way(record: RecordQuery) -> Answer:
    found = _losses(record)
    if len(found) < 2:
        return None
    better, worse = sorted(found[:2], key=lambda r: r.value)
    apart = _apart(better, worse, 40)
    return None if apart is None else Known(apart, f"{named_value(better)}, {named_value(worse)}")


def _acks_missing(record: RecordQuery) -> Answer:
    """Packets arrive both ways, acknowledgements do not."""
    found = record.fact(fc.AcknowledgementsMissing, *_LINK)
    if found is not None:
        return Known(True, found.sentence())
    given_up = record.all("given_up", *_LINK)
    return Known(False, named_value(max(given_up, key=lambda r: r.value))) if given_up else None


def _others_answer(record: RecordQuery) -> Answer:
    """Somebody acknowledged what was sent while the pair's other board was silent."""
    found = [r for role in BOARDS for r in record.all(f"{role}.others_answer", *_LINK)]
    return Known(any(r.value > 0 for r in found), ", ".join(map(counted, found))) if found else None


def _heard(record: RecordQuery) -> Answer:
    """Both sides see the other above the detector's -64 dBm; only looked at when packets are lost."""
    found = [r for d in ("hand_to_craft", "craft_to_hand") for r in record.all(f"{d}.heard", *_LINK)]
    if not found:
        return None
    loud = [surely_above(r, 15) for r in found]
    if None in loud and False not in loud:
        return None
    return Known(all(loud), ", ".join(map(named_value, found)))


def _weak_better(record: RecordQuery) -> Answer:
    weak, echo = record.one("echo_loss_weak", *_LINK), record.one("echo_loss", *_LINK)
    if weak is None or echo is None:
        return None
    better = _apart(weak, echo, 15)
    text = f"{named_value(weak)} at the lowest power, {echo.text()} at full"
    return None if better is None else Known(better, text)


def _unheard(record: RecordQuery) -> Answer:
    """A side does not hear the other above -64 dBm; only looked at when packets are lost."""
    found = [r for d in ("hand_to_craft", "craft_to_hand") for r in record.all(f"{d}.heard", *_LINK)]
    still = [surely_below(r, _HARDLY) for r in found]
    if not found or (None in still and True not in still):
        return None
    return Known(True in still, ", ".join(map(named_value, found)))


def _no_reserve(record: RecordQuery) -> Answer:
    """Some packets at full power and none 18 dB below: the receiver is at its limit, whoever else is on the air."""
    weak, echo = record.one("echo_loss_weak", *_LINK), record.one("echo_loss", *_LINK)
    if weak is None or echo is None or surely_above(echo, _DEAD):
        return None
    none = surely_above(weak, _DEAD)
    return None if none is None else Known(none, f"{named_value(weak)} at the lowest power, {echo.text()} at full")


# ---------------------------------------------------------------------- all of them

#: lines that are evidence each by themselves
_ALONE = (
    fc.Line.ABSENT,
    fc.Line.SCK,
    fc.Line.MOSI,
    fc.Line.MISO_LOW,
    fc.Line.SPI,
    fc.Line.EXCHANGED,
    fc.Line.CSN_LOW,
    fc.Line.SWAPPED,
    fc.Line.BRIDGED,
)
BOARD_FACTS: dict[str, Callable[[RecordQuery, Role], Answer]] = {
    "short": supply.short,
    "sending_lost": supply.sending_lost,
    "average_lost": supply.average_lost,
    "rest_dead": supply.rest_dead,
    "rest_high": supply.rest_high,
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
    "trigger_transmit": lambda record, role: supply.triggered(record, role, "transmit"),
    "trigger_led": lambda record, role: supply.triggered(record, role, "led"),
    "brown_out_reset": supply.brown_out_reset,
    "program_reset": supply.program_reset,
    "starved_reset": supply.starved_reset,
    "forgets": supply.forgets,
    "untriggered": supply.untriggered,
    "brown_out_level": supply.brown_out_level,
    "brown_out_margin": supply.brown_out_margin,
    **{f"line_{kind}": _line(kind) for kind in _ALONE},
    "line_miso": _line(fc.Line.MISO, fc.Line.MISO_LOW),
    "line_ce": _line(fc.Line.CE, fc.Line.CE_HIGH),
    "line_irq": _line(fc.Line.IRQ, fc.Line.IRQ_LOW),
    "comes_and_goes": _comes_and_goes,
    "refuses": _refuses,
    "variant": _variant,
    "oscillator": _oscillator,
    "joint_loose": _joint_loose,
    "damaged": _damaged,
    "silent": _silent,
    "led_dark": _led,
}
CRAFT_FACTS: dict[str, Callable[[RecordQuery, Role], Answer]] = {
    "moved_reset": _moved_reset,
    "moves_otherwise": _moves_otherwise,
    "nothing_moves": _nothing_moves,
    "servo_unfed": _servo_unfed,
    "unrest": _unrest,
    "no_beeps": _no_beeps,
    "turns_at_idle": _turns_at_idle,
    "few_beeps": _unexpected_beeps(more=False),
    "more_beeps": _unexpected_beeps(more=True),
    "stutters": _stutters,
    "low_idle_arms": _low_idle_arms,
    "fed_back": _fed_back,
    "groundless": _groundless,
    "sensor_absent": sensor.absent,
    "sensor_address": sensor.address,
    "self_test": sensor.self_test,
}
PAIR_FACTS: dict[str, Callable[[RecordQuery], Answer]] = {
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
    "acks_missing": _acks_missing,
    "others_answer": _others_answer,
}


def evidence(summary: Summary) -> list[Evidence]:
    """All evidence that the record holds."""
    record = RecordQuery(summary)
    return [*_board_facts(record), *_pair_facts(record)]


def _board_facts(record: RecordQuery) -> Iterable[Evidence]:
    for role in BOARDS:
        own = HAND_FACTS if role is Role.HAND else CRAFT_FACTS
        for name, ask in {**BOARD_FACTS, **own}.items():
            answer = ask(record, role)
            if answer is not None:
                yield Evidence(name, role, *answer)


def _pair_facts(record: RecordQuery) -> Iterable[Evidence]:
    for name, ask in PAIR_FACTS.items():
        answer = ask(record)
        if answer is not None:
            yield Evidence(name, None, *answer)
