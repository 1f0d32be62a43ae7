"""Facts about one board's supply, and what it does to the processor and the transceiver."""

from __future__ import annotations

from benchctl import facts as fc
from benchctl.analysis.supply_rules import least_vcc
from benchctl.findings.record import Answer, Known, RecordQuery, above, any_of, below, named_value, surely_above
from benchctl.runs.summary import ResetSeen
from benchctl.session.boot import cause_name
from benchctl.terms import Reading, Role, Verdict
from benchctl.wire.catalogue import ResetCause

_SUPPLY, _HUNT, _SOAK = ("supply",), ("load_hunt",), ("soak",)


#: restarts that the supply may be behind, and those that the program is
_BY_SUPPLY = {cause_name(c) for c in (ResetCause.BROWN_OUT, ResetCause.POWER_ON, ResetCause.UNKNOWN,
                                      ResetCause.EXTERNAL)}  # fmt: skip
_BY_PROGRAM = {cause_name(ResetCause.WATCHDOG), cause_name(ResetCause.STACK)}
#: V: a dip by less is no trouble
_DIPS = 0.27
#: µs: a burst of about 460 µs shows no bend with a longer time constant, and then ohms and a limit look alike
_BENDS = 1000.0
#: ohms: more than any cable has (common practice, no source)
_CABLE = 10.5
#: the least at which a 3.3 V regulator of the 1117 kind regulates: 1.1 to 1.2 V above (data sheets)
_FEEDS = 4.45
#: a supply below this share of what it is meant to be is weak (common practice, no source)
LOW_SHARE = 0.9


def _fed(record: RecordQuery, role: Role, sag: float = 0.0) -> bool:
    """Whether the processor's rail is high enough for the transceiver's regulator. sag: V below rest."""
    volts = record.value(f"{role}.vcc", *_SUPPLY)
    declared = record.fact(fc.SupplyDeclared, *_SUPPLY, board=role)
    # at 3.3 V of logic the transceiver hangs on the same rail, with no regulator between
    return volts is None or volts - sag >= _FEEDS or (declared is not None and declared.volts < _FEEDS)


def short(record: RecordQuery, role: Role) -> Answer:
    """A rail's ohms to ground, unpowered, below what the stage allows."""
    found = [r for rail in ("main", "radio") for r in record.all(f"{role}.{rail}_ohms", "before_power")]
    bad = [r for r in found if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad or found))) if found else None


def sending_lost(record: RecordQuery, role: Role) -> Answer:
    """It forgot its settings while packet followed packet: the average is more than it is given."""
    return above(record, f"{role}.sending_lost", (*_SUPPLY, *_HUNT), 0) if transceiver_whole(record, role) else None


def average_lost(record: RecordQuery, role: Role) -> Answer:
    """It forgets its settings packet after packet, though one burst and listening leave its rail where it was."""
    lost, dip, listens = sending_lost(record, role), burst_dip(record, role), listen_lost(record, role)
    if lost is None or dip is None or listens is None:
        return None
    alone = not dip.holds and not listens.holds
    return Known(lost.holds and alone, f"{lost.text}, {dip.text}" if alone else lost.text)


def rest_dead(record: RecordQuery, role: Role) -> Answer:
    """The transceiver's rail is far too low although nothing transmits."""
    return below(record, f"{role}.radio_volts", _SUPPLY, 1.5)


def rest_high(record: RecordQuery, role: Role) -> Answer:
    """More than a transceiver may be given (Product Specification, table 2: 3.6 V)."""
    return above(record, f"{role}.radio_volts", _SUPPLY, 3.6)


def rest_low(record: RecordQuery, role: Role) -> Answer:
    """Lower than the regulator makes it, while the processor's rail can feed it."""
    low = below(record, f"{role}.radio_volts", _SUPPLY, 3.12)
    fed = above(record, f"{role}.vcc", _SUPPLY, _FEEDS)
    dead = rest_dead(record, role)
    if low is None or fed is None or dead is None:
        return None
    return Known(low.holds and fed.holds and not dead.holds, low.text)


def listen_lost(record: RecordQuery, role: Role) -> Answer:
    """Whenever it listens: what is steady does it every time."""
    found = listening(record, role)
    return None if found is None else Known(0 < found[0] >= 0.6 * found[1], found[2])


def listening(record: RecordQuery, role: Role) -> tuple[float, int, str] | None:
    """How often it forgot its settings while it listened, how often that was looked at, and both in words."""
    found = record.one(f"{role}.listening_lost", *_SUPPLY)
    if found is None:
        return None
    words = f"{role}: the transceiver forgot its settings {found.value:.0f} of {found.n} times that it listened"
    return found.value, found.n, words


def listen_drop(record: RecordQuery, role: Role) -> Answer:
    """Where it stays at the lower level; one that forgets its settings no longer draws what it is measured for."""
    lost, low = listen_lost(record, role), below(record, f"{role}.radio_volts_listening", _SUPPLY, 3.08)
    if lost is None or lost.holds or low is None:
        return None
    rest, listening = (
        record.value(f"{role}.radio_volts", *_SUPPLY),
        record.value(f"{role}.radio_volts_listening", *_SUPPLY),
    )
    if not _fed(record, role) and (rest is None or listening is None or rest - listening < 0.1):
        return None  # low already, with the processor's rail
    return low


def listen_collapse(record: RecordQuery, role: Role) -> Answer:
    """It cannot be fed the steady draw of listening, though a burst, which draws more, does not take it down."""
    lost, dip, dead = listen_lost(record, role), record.one(f"{role}.transmit_dip", *_SUPPLY), rest_dead(record, role)
    if dead is not None and dead.holds:
        return dead
    if lost is None or dip is None:
        return None
    return Known(lost.holds and dip.value < 1.0, f"{lost.text if lost.holds else 'it listens'}, {named_value(dip)}")


def burst_lost(record: RecordQuery, role: Role) -> Answer:
    """Of a burst that takes the rail down; one that does not is no reason to forget."""
    found, dip = record.one(f"{role}.settings_lost", *_SUPPLY), record.value(f"{role}.transmit_dip", *_SUPPLY)
    if found is None:
        return None
    return Known(found.value > 0 and (dip is None or dip > _DIPS), "the transceiver forgets its settings when it sends")


def lost_beside_bursts(record: RecordQuery, role: Role) -> Answer:
    """The transceiver lost its settings although bursts hardly moved its rail."""
    found, dip = record.one(f"{role}.settings_lost", *_SUPPLY), record.one(f"{role}.transmit_dip", *_SUPPLY)
    if found is None or dip is None:
        return None
    text = f"{role}: the transceiver forgot its settings while bursts took its rail down by {dip.text()} only"
    return Known(found.value > 0 and dip.value <= _DIPS, text if found.value else named_value(dip))


def burst_dip(record: RecordQuery, role: Role) -> Answer:
    """Transmitting takes the rail down further than a healthy supply lets it."""
    return above(record, f"{role}.transmit_dip", _SUPPLY, _DIPS)


def burst_resistive(record: RecordQuery, role: Role) -> Answer:
    """The rail goes to a level of its own, with the load's ohms, and stays there: no capacitor holds that up."""
    dip, lost = above(record, f"{role}.transmit_dip", _SUPPLY, 0.05), burst_lost(record, role)
    # what forgets its settings stops drawing: its waveform tells no ohms
    if dip is None or (lost is not None and lost.holds):
        return None
    ohms = record.one(f"{role}.transmit_source", *_SUPPLY)
    bulk = record.one(f"{role}.transmit_bulk", *_SUPPLY)
    if not dip.holds or ohms is None:
        return Known(False, dip.text)
    tau = record.value(f"{role}.transmit_tau", *_SUPPLY)
    if tau is not None and tau > _BENDS:
        return None
    fits = tau is not None or bulk is None
    many = surely_above(ohms, 6.0)
    if many is None and fits:
        return None
    return Known(bool(many) and fits and _static_agrees(record, role, ohms.value), named_value(ohms))


def _static_agrees(record: RecordQuery, role: Role, ohms: float) -> bool:
    """Ohms that a burst shows must show while listening too: 13 mA, 33 with an amplifier (data sheets)."""
    rest, listening = record.one(f"{role}.radio_volts", *_SUPPLY), record.one(f"{role}.radio_volts_listening", *_SUPPLY)
    lost, load = listen_lost(record, role), record.value(f"{role}.transmit_load", *_SUPPLY)
    if rest is None or listening is None or lost is None:
        return True
    expected = ohms * (0.033 if load is not None and load > 60 else 0.013)
    if lost.holds:
        # from rest to the 1.9 V at which it forgets, with ohms that are good to a tenth
        return expected > 0.9 * (rest.value - 1.9)
    return expected < 0.15 or rest.value - listening.value > 0.4 * expected


def sending_low(record: RecordQuery, role: Role) -> Answer:
    """Unknown where it forgets its settings: what does not send does not draw."""
    low = below(record, f"{role}.radio_volts_sending", _HUNT, 2.9)
    if not _fed(record, role, record.value(f"{role}.sending_sag", *_HUNT) or 0.0):
        return None
    silent = above(record, f"{role}.radio_losses", _HUNT, 0)
    return None if low is None or (not low.holds and silent is not None and silent.holds) else low


def main_low(record: RecordQuery, role: Role) -> Answer:
    """Unknown where nobody has said what it is meant to be."""
    declared = record.fact(fc.SupplyDeclared, *_SUPPLY, board=role)
    return None if declared is None else below(record, f"{role}.vcc", _SUPPLY, LOW_SHARE * declared.volts)


def main_ohms(record: RecordQuery, role: Role) -> Reading | None:
    """Ohms of the processor's supply path, by whichever way stands furthest above the converter's step."""
    ohms = record.one(f"{role}.led_source", *_SUPPLY)
    droop = record.value(f"{role}.led_droop", *_SUPPLY)
    if ohms is not None and droop is not None and droop > 0.05:
        return ohms
    path = record.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    if path is not None and path.interval is not None and path.interval.low > 0.4:
        return path
    return ohms if ohms is not None and droop is not None and droop > 0.025 else None


def main_soft(record: RecordQuery, role: Role) -> Answer:
    """More than a sound source and a short cable have: about 1 Ω together (common practice, no source)."""
    ohms = main_ohms(record, role)
    path = record.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    # an LED alone is too small a load to show that ohms are few
    measured = ohms or path
    soft = None if measured is None else surely_above(measured, 1.7)
    by_ohms = None if measured is None or soft is None else Known(soft, named_value(measured))
    return any_of(by_ohms, above(record, f"{role}.led_sag", _HUNT, 0.3))


def main_joint(record: RecordQuery, role: Role) -> Answer:
    """More ohms than any cable has; unknown where the ohms were not measured, or only to be few or many."""
    ohms = main_ohms(record, role)
    if ohms is not None:
        more = surely_above(ohms, _CABLE)
        return None if more is None else Known(more, named_value(ohms))
    path = record.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    if path is None or path.interval is None or path.interval.high > _CABLE:
        return None
    return Known(False, named_value(path))


def servo_sag(record: RecordQuery, role: Role) -> Answer:
    """The servo takes the processor's supply down."""
    return any_of(
        above(record, f"{role}.servo_droop", _SUPPLY, 0.12),
        above(record, f"{role}.servo_sag", _HUNT, 0.12),
        triggered(record, role, "servo"),
    )


def triggered(record: RecordQuery, role: Role, load: str) -> Answer:
    """The load hunt says that this load brings trouble."""
    looked = record.one(f"{role}.resets", *_HUNT)
    if looked is None:
        return None
    found = record.one(f"{role}.trigger_{load}", *_HUNT)
    trigger = record.fact(fc.TriggerFound, *_HUNT, board=role)
    named = found is not None and trigger is not None
    return Known(named, trigger.sentence() if trigger is not None else f"{role}: the load hunt names no {load}")


def brown_out_reset(record: RecordQuery, role: Role) -> Answer:
    """The board restarted for want of voltage, unasked."""
    board = record.board(role)
    if board is None or not board.seen:
        return None
    resets = [r for r in board.resets if not r.asked and r.cause in _BY_SUPPLY]
    where = ", ".join(sorted({r.stage or "between stages" for r in resets}))
    text = (
        f"{role}: {len(resets)} restarts by {resets[0].cause} ({where})" if resets else f"{role}: no brown-out restart"
    )
    return Known(bool(resets), text)


def program_reset(record: RecordQuery, role: Role) -> Answer:
    """The board's watchdog restarted it, unasked."""
    board = record.board(role)
    if board is None or not board.seen:
        return None
    mhz = board.clock_hz / 1e6 or 16.0
    resets = [r for r in board.resets if not r.asked and r.cause in _BY_PROGRAM and not _starved(r, mhz)]
    if not resets:
        return Known(False, f"{role}: no restart by the watchdog")
    low = min(r.facts.get("lowest_vcc", 0.0) for r in resets)
    supply = f", supply never below {low:.2f} V in the life before" if low > 0 else ""
    return Known(True, f"{role}: {len(resets)} restarts by {resets[0].cause}{supply}")


def _starved(reset: ResetSeen, mhz: float) -> bool:
    """Whether the life before had less supply than its clock needs: the program may have gone astray by that."""
    return 0 < reset.facts.get("lowest_vcc", 0.0) < least_vcc(mhz)


def starved_reset(record: RecordQuery, role: Role) -> Answer:
    """The watchdog, or the guard over the stack, ended a program whose supply had been below what its clock needs."""
    board = record.board(role)
    if board is None or not board.seen:
        return None
    mhz = board.clock_hz / 1e6 or 16.0
    resets = [r for r in board.resets if not r.asked and r.cause in _BY_PROGRAM and _starved(r, mhz)]
    if not resets:
        return Known(False, f"{role}: no restart of a program that had too little supply")
    low = min(r.facts["lowest_vcc"] for r in resets)
    text = f"{role}: {len(resets)} restarts by {resets[0].cause} after a supply of {low:.2f} V"
    return Known(True, f"{text}; {mhz:g} MHz need {least_vcc(mhz):.2f} V")


def settings_went(record: RecordQuery, role: Role) -> Answer:
    """Settings lost by themselves, in whatever stage."""
    return any_of(
        above(record, f"{role}.radio_losses", (*_HUNT, *_SOAK), 0),
        above(record, f"{role}.forgot_settings", ("radio_link",), 0),
        lost_beside_bursts(record, role),
    )


def forgets(record: RecordQuery, role: Role) -> Answer:
    """Settings lost although no transmission was shown to do it."""
    seen = any_of(settings_went(record, role), spontaneous(record, role))
    by_sending = burst_lost(record, role)
    trigger = triggered(record, role, "transmit")
    if seen is None or not transceiver_whole(record, role):
        return None
    if (odd := untriggered(record, role)) and odd.holds:
        return Known(seen.holds, f"{seen.text}; {odd.text}")
    explained = (by_sending is not None and by_sending.holds) or (trigger is not None and trigger.holds)
    return Known(seen.holds and not explained, seen.text)


def untriggered(record: RecordQuery, role: Role) -> Answer:
    """Settings lost in trials with any load and with none."""
    lost = above(record, f"{role}.radio_losses", _HUNT, 0)
    odd = record.fact(fc.TriggerUnknown, *_HUNT, board=role)
    if lost is None:
        return None
    return Known(lost.holds and odd is not None, odd.sentence() if odd is not None else lost.text)


def transceiver_whole(record: RecordQuery, role: Role) -> bool:
    """It can be read, so that it has settings to forget: the hunt, which sets it anew, says so, or its lines are."""
    if record.fact(fc.SettingsRefused, *_HUNT, board=role) is not None:
        return False
    hunted = record.one(f"{role}.radio_losses", *_HUNT) is not None
    return hunted or record.fact(fc.LineBroken, "transceiver", board=role) is None


def spontaneous(record: RecordQuery, role: Role) -> Answer:
    """The transceiver changed settings during the link test."""
    found = record.fact(fc.SettingsNotHeld, "radio_link", board=role)
    return None if found is None else Known(True, found.sentence())


def brown_out_level(record: RecordQuery, role: Role) -> Answer:
    """The brown-out detector's level is below what the chip needs."""
    found = record.one(f"{role}.brown_out_level", *_SUPPLY)
    return None if found is None else Known(found.value < 2.5, named_value(found))


def brown_out_margin(record: RecordQuery, role: Role) -> Answer:
    """The lowest supply seen is below the detector's level, or below what the clock needs."""
    return any_of(
        below(record, f"{role}.brown_out_margin", _SUPPLY, 0.0),
        below(record, f"{role}.speed_margin", _SUPPLY, 0.0),
    )
