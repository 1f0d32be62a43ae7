"""Where the transceiver is: CSN by the pin under which registers answer, CE by the one that makes it send, IRQ by the
one that falls then. Only pins that float or are weakly pulled are tried; IRQ is an output and only looked at."""

from __future__ import annotations

from benchctl.analysis.pin_nature import Nature
from benchctl.pairfile.pins import BY_PORT, NONE
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.transceiver_joints import LOW, MOSI_PIN, SCK_PIN, joints, pin
from benchctl.stages.transceiver_lines import START_UP_S, answers, spi, start_sending
from benchctl.stages.wiring_search import Search
from benchctl.wire.catalogue import MISO_PIN, NO_PIN, Function


def find_radio(search: Search) -> None:
    """CSN, CE and IRQ, in this order; without CSN nothing more can be told."""
    apart, joined = _apart(search)
    csn = _find_csn(search, apart)
    ce = csn and _find_ce(search, apart - {csn})
    if ce:
        _find_irq(search)
        return
    for sentence in joined:  # which may be why
        search.ctx.doubt(sentence)


def _at(search: Search, function: Function, port: str) -> None:
    search.board.write_pin(function, BY_PORT[port].code if port else NO_PIN)


def _apart(search: Search) -> tuple[set[str], list[str]]:
    """The pins that may be driven, but those that solder joins to each other or to the bus, since two outputs would
    fight; and a sentence for each of these joints."""
    tried = search.drivable()
    names = {BY_PORT[port].code: BY_PORT[port].sketch for port in tried}
    names |= {MISO_PIN: "MISO", MOSI_PIN: "MOSI", SCK_PIN: "SCK"}
    joined = joints(search.board, search.ctx.wait, tuple(names))
    bus = {MISO_PIN, MOSI_PIN, SCK_PIN}
    told = []
    for pair in sorted(joined, key=sorted):
        one, other = sorted(pair, key=lambda code: (code in bus, code))
        told.append(f"{search.role}: {names[one]} and {names[other]} are joined; neither is driven")
        search.ctx.note(told[-1], "warning")
    return {port for port in tried if not any(BY_PORT[port].code in pair for pair in joined)}, told


def _find_csn(search: Search, apart: set[str]) -> str:
    """The pin under which the transceiver answers, "" for none or several."""
    known = search.known.pin("radio_csn")
    if known:
        _at(search, Function.RADIO_CSN, known)
        return known
    tried, hits = sorted(apart), []
    for n, port in enumerate(tried):
        search.ctx.progress(n, len(tried), "looking for the transceiver")
        _at(search, Function.RADIO_CSN, port)
        if answers(search.board):
            hits.append(port)
    return _settle(search, Function.RADIO_CSN, "radio_csn", hits)


def _settle(search: Search, function: Function, name: str, hits: list[str]) -> str:
    """One hit is it; several are told, not guessed between."""
    _at(search, function, hits[0] if len(hits) == 1 else "")
    if len(hits) != 1:
        search.wonder(f"pins.{name}", hits)
        return ""
    search.keep(f"pins.{name}", hits[0], "looked")
    return hits[0]


def _find_ce(search: Search, apart: set[str]) -> str:
    known = search.known.pin("radio_ce")
    if known:
        _at(search, Function.RADIO_CE, known)
        return known
    tried, hits = sorted(apart), []
    for port in tried:  # an input that nobody drives keeps what it was charged to
        _at(search, Function.RADIO_CE, port)
        pin(search.board, Function.RADIO_CE, LOW)
    for n, port in enumerate(tried):
        search.ctx.progress(n, len(tried), "looking for its CE line")
        _at(search, Function.RADIO_CE, port)
        pin(search.board, Function.RADIO_CE, LOW)
        if not _sends(search, raise_ce=False) and _sends(search, raise_ce=True):
            hits.append(port)
    return _settle(search, Function.RADIO_CE, "radio_ce", hits)


def _sends(search: Search, *, raise_ce: bool) -> bool:
    """Whether it sends to nobody, with the pin raised or left low; the flags are cleared again."""
    start_sending(search.board, search.ctx.wait, raise_ce=raise_ce)
    sent = bool(spi(search.board, nrf.NOP)[0] & (nrf.MAX_RT | nrf.TX_DS))
    _quiet(search)
    return sent


def _quiet(search: Search) -> None:
    spi(search.board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    spi(search.board, nrf.FLUSH_TX)


def _find_irq(search: Search) -> None:
    """Among pins that rest high: the one that is low while the interrupt is pending, and high again after it."""
    if search.stated("radio_irq"):
        return
    resting = search.free(Nature.HIGH, Nature.TOWARDS_SUPPLY, Nature.BETWEEN)
    start_sending(search.board, search.ctx.wait)
    fell = [port for port in resting if search.look(port, pulled=False).level == 0]
    _quiet(search)
    search.ctx.wait(START_UP_S)
    hits = [port for port in fell if search.look(port, pulled=False).level == 1]
    if len(hits) == 1:
        search.keep("pins.radio_irq", hits[0], "looked")
    elif hits:
        search.wonder("pins.radio_irq", hits)
    else:
        search.keep("pins.radio_irq", NONE, "looked")
