"""Facts about one board's supply, and what it does to the processor and the transceiver."""

from __future__ import annotations

from benchctl.findings.record import Answer, Log, above, any_of, below, said
from benchctl.terms import Reading, Role

_SUPPLY, _HUNT, _SOAK = ("supply",), ("load_hunt",), ("soak",)


#: V: a dip by less is no trouble
_DIPS = 0.27
#: µs: a burst of about 460 µs shows no bend with a longer time constant, and then ohms and a limit look alike
_BENDS = 1000.0
#: ohms: more than any cable has (common practice, no source)
_CABLE = 10.5
#: the least at which a 3.3 V regulator of the 1117 kind regulates: 1.1 to 1.2 V above (data sheets)
_FEEDS = 4.45


def _fed(log: Log, role: Role, sag: float = 0.0) -> bool:
    """Whether the processor's rail is high enough for the transceiver's regulator. sag: V below rest."""
    volts = log.value(f"{role}.vcc", *_SUPPLY)
    return volts is None or volts - sag >= _FEEDS


def rest_dead(log: Log, role: Role) -> Answer:
    return below(log, f"{role}.radio_volts", _SUPPLY, 1.5)


def rest_low(log: Log, role: Role) -> Answer:
    """Lower than the regulator makes it, while the processor's rail can feed it."""
    low = below(log, f"{role}.radio_volts", _SUPPLY, 3.12)
    fed = above(log, f"{role}.vcc", _SUPPLY, _FEEDS)
    dead = rest_dead(log, role)
    if low is None or fed is None or dead is None:
        return None
    return low[0] and fed[0] and not dead[0], low[1]


def listen_lost(log: Log, role: Role) -> Answer:
    """Whenever it listens: what is steady does it every time."""
    found = listening(log, role)
    return None if found is None else (0 < found[0] >= 0.6 * found[1], found[2])


def listening(log: Log, role: Role) -> tuple[float, int, str] | None:
    """How often it forgot its settings while it listened, how often that was looked at, and both in words."""
    found = log.one(f"{role}.listening_lost", *_SUPPLY)
    if found is None:
        return None
    words = f"{role}: the transceiver forgot its settings {found.value:.0f} of {found.n} times that it listened"
    return found.value, found.n, words


def listen_drop(log: Log, role: Role) -> Answer:
    """Where it stays at the lower level; one that forgets its settings no longer draws what it is measured for."""
    lost, low = listen_lost(log, role), below(log, f"{role}.radio_volts_listening", _SUPPLY, 3.08)
    if lost is None or lost[0] or low is None:
        return None
    rest, listening = log.value(f"{role}.radio_volts", *_SUPPLY), log.value(f"{role}.radio_volts_listening", *_SUPPLY)
    if not _fed(log, role) and (rest is None or listening is None or rest - listening < 0.1):
        return None  # low already, with the processor's rail
    return low


def listen_collapse(log: Log, role: Role) -> Answer:
    """It cannot be fed the steady draw of listening, though a burst, which draws more, does not take it down."""
    lost, dip, dead = listen_lost(log, role), log.one(f"{role}.transmit_dip", *_SUPPLY), rest_dead(log, role)
    if dead is not None and dead[0]:
        return dead
    if lost is None or dip is None:
        return None
    return lost[0] and dip.value < 1.0, f"{lost[1] if lost[0] else 'it listens'}, {said(dip)}"


def burst_lost(log: Log, role: Role) -> Answer:
    """Of a burst that takes the rail down; one that does not is no reason to forget."""
    found, dip = log.one(f"{role}.settings_lost", *_SUPPLY), log.value(f"{role}.transmit_dip", *_SUPPLY)
    if found is None:
        return None
    return found.value > 0 and (dip is None or dip > _DIPS), "the transceiver forgets its settings when it sends"


def lost_beside_bursts(log: Log, role: Role) -> Answer:
    found, dip = log.one(f"{role}.settings_lost", *_SUPPLY), log.one(f"{role}.transmit_dip", *_SUPPLY)
    if found is None or dip is None:
        return None
    text = f"{role}: the transceiver forgot its settings while bursts took its rail down by {dip.text()} only"
    return found.value > 0 and dip.value <= _DIPS, text if found.value else said(dip)


def burst_dip(log: Log, role: Role) -> Answer:
    return above(log, f"{role}.transmit_dip", _SUPPLY, _DIPS)


def burst_resistive(log: Log, role: Role) -> Answer:
    """The rail goes to a level of its own, with the load's ohms, and stays there: no capacitor holds that up."""
    dip, lost = above(log, f"{role}.transmit_dip", _SUPPLY, 0.05), burst_lost(log, role)
    # what forgets its settings stops drawing: its waveform tells no ohms
    if dip is None or (lost is not None and lost[0]):
        return None
    ohms = log.one(f"{role}.transmit_source", *_SUPPLY)
    bulk = log.one(f"{role}.transmit_bulk", *_SUPPLY)
    if not dip[0] or ohms is None:
        return False, dip[1]
    tau = log.value(f"{role}.transmit_tau", *_SUPPLY)
    if tau is not None and tau > _BENDS:
        return None
    fits = tau is not None or bulk is None
    return ohms.value >= 6.0 and fits and _static_agrees(log, role, ohms.value), said(ohms)


def _static_agrees(log: Log, role: Role, ohms: float) -> bool:
    """Ohms that a burst shows must show while listening too: 13 mA, 33 with an amplifier (data sheets)."""
    rest, listening = log.one(f"{role}.radio_volts", *_SUPPLY), log.one(f"{role}.radio_volts_listening", *_SUPPLY)
    lost, load = listen_lost(log, role), log.value(f"{role}.transmit_load", *_SUPPLY)
    if rest is None or listening is None or lost is None:
        return True
    expected = ohms * (0.033 if load is not None and load > 60 else 0.013)
    if lost[0]:
        # from rest to the 1.9 V at which it forgets, with ohms that are good to a tenth
        return expected > 0.9 * (rest.value - 1.9)
    return expected < 0.15 or rest.value - listening.value > 0.4 * expected


def sending_low(log: Log, role: Role) -> Answer:
    """Unknown where it forgets its settings: what does not send does not draw."""
    low = below(log, f"{role}.radio_volts_sending", _HUNT, 2.9)
    if not _fed(log, role, log.value(f"{role}.sending_sag", *_HUNT) or 0.0):
        return None
    silent = above(log, f"{role}.radio_losses", _HUNT, 0)
    return None if low is None or (not low[0] and silent is not None and silent[0]) else low


def main_low(log: Log, role: Role) -> Answer:
    return below(log, f"{role}.vcc", _SUPPLY, 4.5)


def main_ohms(log: Log, role: Role) -> Reading | None:
    """Ohms of the processor's supply path, by whichever way stands furthest above the converter's step."""
    ohms = log.one(f"{role}.led_source", *_SUPPLY)
    droop = log.value(f"{role}.led_droop", *_SUPPLY)
    if ohms is not None and droop is not None and droop > 0.05:
        return ohms
    path = log.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    if path is not None and path.interval is not None and path.interval.low > 0.4:
        return path
    return ohms if ohms is not None and droop is not None and droop > 0.025 else None


def main_soft(log: Log, role: Role) -> Answer:
    """More than a sound source and a short cable have: about 1 Ω together (common practice, no source)."""
    ohms = main_ohms(log, role)
    path = log.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    # an LED alone is too small a load to show that ohms are few
    measured = ohms or path
    by_ohms = None if measured is None else (ohms is not None and ohms.value > 1.7, said(measured))
    return any_of(by_ohms, above(log, f"{role}.led_sag", _HUNT, 0.3))


def main_joint(log: Log, role: Role) -> Answer:
    """More ohms than any cable has; unknown where the ohms were not measured, or only to be few or many."""
    ohms = main_ohms(log, role)
    if ohms is not None:
        return ohms.value > _CABLE, said(ohms)
    path = log.one(f"{role}.path_ohms", *_SUPPLY, *_HUNT)
    if path is None or path.interval is None or path.interval.high > _CABLE:
        return None
    return False, said(path)


def servo_sag(log: Log, role: Role) -> Answer:
    return any_of(
        above(log, f"{role}.servo_droop", _SUPPLY, 0.12),
        above(log, f"{role}.servo_sag", _HUNT, 0.12),
        triggered(log, role, "servo"),
    )


def triggered(log: Log, role: Role, load: str) -> Answer:
    looked = log.one(f"{role}.resets", *_HUNT)
    if looked is None:
        return None
    found = log.one(f"{role}.trigger_{load}", *_HUNT)
    text = log.noted(f"{role}: trouble comes with", *_HUNT)
    return found is not None, text or f"{role}: the load hunt names no {load}"


def brown_out_reset(log: Log, role: Role) -> Answer:
    board = log.board(role)
    if board is None or not board.seen:
        return None
    resets = [r for r in board.resets if not r.asked and r.cause in ("brown-out", "power on", "unknown", "reset line")]
    where = ", ".join(sorted({r.stage or "between stages" for r in resets}))
    text = (
        f"{role}: {len(resets)} restarts by {resets[0].cause} ({where})" if resets else f"{role}: no brown-out restart"
    )
    return bool(resets), text


def program_reset(log: Log, role: Role) -> Answer:
    board = log.board(role)
    if board is None or not board.seen:
        return None
    resets = [r for r in board.resets if not r.asked and r.cause in ("watchdog", "stack overflow")]
    if not resets:
        return False, f"{role}: no restart by the watchdog"
    low = min(r.facts.get("lowest_vcc", 0.0) for r in resets)
    supply = f", supply never below {low:.2f} V in the life before" if low > 0 else ""
    return True, f"{role}: {len(resets)} restarts by {resets[0].cause}{supply}"


def forgets(log: Log, role: Role) -> Answer:
    """Settings lost although no transmission was shown to do it."""
    seen = any_of(
        above(log, f"{role}.radio_losses", (*_HUNT, *_SOAK), 0),
        spontaneous(log, role),
        above(log, f"{role}.forgot_settings", ("radio_link",), 0),
        lost_beside_bursts(log, role),
    )
    by_sending = burst_lost(log, role)
    trigger = triggered(log, role, "transmit")
    if seen is None or not transceiver_whole(log, role):
        return None
    if (odd := untriggered(log, role)) and odd[0]:
        return seen[0], f"{seen[1]}; {odd[1]}"
    explained = (by_sending is not None and by_sending[0]) or (trigger is not None and trigger[0])
    return seen[0] and not explained, seen[1]


def untriggered(log: Log, role: Role) -> Answer:
    """Settings lost in trials with any load and with none."""
    lost = above(log, f"{role}.radio_losses", _HUNT, 0)
    odd = log.noted(f"{role}: trouble that no load", *_HUNT)
    return None if lost is None else (lost[0] and bool(odd), odd or lost[1])


def transceiver_whole(log: Log, role: Role) -> bool:
    """It can be read, so that it has settings to forget: the hunt, which sets it anew, says so, or its lines are."""
    if log.noted(f"{role}: the transceiver does not take its settings; the hunt", *_HUNT):
        return False
    hunted = log.one(f"{role}.radio_losses", *_HUNT) is not None
    return hunted or not log.noted(f"{role}: transceiver line ", "transceiver")


def spontaneous(log: Log, role: Role) -> Answer:
    text = log.failed(f"the {role} board's transceiver does not hold its settings", "radio_link")
    return (True, text) if text else None


def brown_out_level(log: Log, role: Role) -> Answer:
    found = log.one(f"{role}.brown_out_level", *_SUPPLY)
    return None if found is None else (found.value < 2.5, f"{said(found)} {found.note}")


def brown_out_margin(log: Log, role: Role) -> Answer:
    return any_of(
        below(log, f"{role}.brown_out_margin", _SUPPLY, 0.0),
        below(log, f"{role}.speed_margin", _SUPPLY, 0.0),
    )
