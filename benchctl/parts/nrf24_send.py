"""A whole Enhanced ShockBurst send at once, without the agenda: the fast way for packet-by-packet simulation.

It goes through the same packet rules and the same air as the event-driven machine, so losses and times are alike.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchctl.parts.air import DAMAGED, LOST
from benchctl.parts.nrf24_bank import Pipe
from benchctl.parts.nrf24_body import RX_SETTLING_CURRENT, STANDBY_II_CURRENT, TX_SETTLING_CURRENT, State
from benchctl.parts.nrf24_frame import Frame
from benchctl.parts.nrf24_link import ANSWER, NEW
from benchctl.parts.nrf24_machine import Machine, listening_time
from benchctl.parts.nrf24_registers import IRQ_DELAY, SETTLING


class Reception(NamedTuple):
    """A payload that a listening transceiver got: `time` (s) is when its interrupt falls."""

    radio: Machine
    time: float
    pipe: int
    payload: bytes


class Transmission(NamedTuple):
    """What became of one send.

    Times in s, infinite when the chip was not ready to send; charge in C, what the sender draws from CE
    to the end of the answer or of the wait for it.
    """

    ok: bool
    retries: int
    start: float  # first bit of the first try on the air
    done_time: float  # the sender's interrupt falls
    received: list[Reception]
    answer: bytes  # payload that came with the acknowledgement
    repeats: int  # repeats that receivers recognised and dropped
    on_air: float  # seconds of sending, all tries
    charge: float


NOTHING_SENT = Transmission(False, 0, math.inf, math.inf, [], b"", 0, 0.0, 0.0)


def send(radio: Machine, payload: bytes, time: float, no_ack: bool) -> Transmission:
    """CE rises at `time`, the payload being in the store already; see `Transceiver.transact`."""
    if not radio.ready:
        return NOTHING_SENT
    upload = radio.upload(payload, no_ack)
    radio.retry_count = 0
    now = radio.bank.settings
    if radio.deaf_until - SETTLING > time:  # its own answer, or its own last send, comes first
        time = radio.deaf_until - SETTLING
    start = time + SETTLING
    first = start
    received: list[Reception] = []
    tries = repeats = 0
    on_air, charge = 0.0, SETTLING * TX_SETTLING_CURRENT
    awaits = radio.awaits_answer(upload)
    air = radio.air
    while True:
        frame = radio.compose(upload, start)
        air.begin(frame)
        on_air += frame.end - frame.start
        answers: list[Frame] | None = None
        for other in air.stations:
            if other is radio or other.state is not State.RX or other.rx_since > start:
                continue
            pipe = other.hearing(frame)
            if pipe is None:
                continue
            taken, answer = _deliver(frame, other, pipe, received)
            repeats += taken == ANSWER
            if answer is not None:
                answers = [answer] if answers is None else [*answers, answer]
        if not awaits:
            return _finished(radio, True, 0, first, frame.end, received, b"", repeats, on_air, charge, frame)
        best = _best_answer(radio, frame, answers) if answers is not None else None
        charge += SETTLING * RX_SETTLING_CURRENT
        if best is not None:
            answer, got = best
            charge += (answer.end - answer.start) * radio.rx_current[now.rate]
            return _finished(radio, True, tries, first, answer.end, received, got, repeats, on_air, charge, frame)
        charge += _waiting_charge(radio, tries < now.retries)
        start = frame.end + now.retry_delay
        if tries >= now.retries:
            radio.lost_count = min(15, radio.lost_count + 1)
            return _finished(radio, False, tries, first, start, received, b"", repeats, on_air, charge, frame)
        tries += 1
        radio.retry_count = tries


def _waiting_charge(radio: Machine, again: bool) -> float:
    """Of an unanswered try after settling to listen: listening, standing by, settling for the next try."""
    now = radio.bank.settings
    listens = listening_time(now.rate, now.retry_delay)
    settles = SETTLING if again and now.retry_delay >= 2 * SETTLING else 0.0
    stands_by = now.retry_delay - SETTLING - listens - settles
    return listens * radio.rx_current[now.rate] + settles * TX_SETTLING_CURRENT + stands_by * STANDBY_II_CURRENT


def _deliver(frame: Frame, other: Machine, pipe: Pipe, received: list[Reception]) -> tuple[int, Frame | None]:
    """What one listener makes of the packet, and the answer that it will send."""
    air = other.air
    heard = other.follow(frame)
    if heard == LOST:
        return 0, None
    taken = other.accept(frame, pipe)
    if taken & NEW:
        payload = air.damage(frame.payload) if heard == DAMAGED else frame.payload
        received.append(Reception(other, frame.end + IRQ_DELAY[frame.rate], pipe.number, payload))
    if not taken & ANSWER:
        return taken, None
    answer = other.answer_to(frame, pipe, frame.end + SETTLING)
    air.begin(answer)
    other.deaf_until = answer.end + SETTLING
    other.note_burst(answer)
    return taken, answer


def _best_answer(radio: Machine, frame: Frame, answers: list[Frame]) -> tuple[Frame, bytes] | None:
    """The first answer that gets through to the sender, with its payload."""
    for answer in answers:
        if not (radio.is_answer(frame, answer) and radio.in_time(frame, answer)):
            continue
        heard = radio.air.hear(answer, radio)
        if heard != LOST and not (answer.payload and radio.rx.full):
            return answer, radio.air.damage(answer.payload) if heard == DAMAGED else answer.payload
    return None


def _finished(
    radio: Machine, ok: bool, tries: int, first: float, end: float, received: list[Reception], answer: bytes,
    repeats: int, on_air: float, charge: float, frame: Frame,
) -> Transmission:  # fmt: skip
    """The books are closed: a sender that was listening before settles to listen again."""
    radio.deaf_until = end + SETTLING
    radio.bursts += tries + 1
    for tell in radio.on_burst:
        tell(first)
    sent = on_air * radio.tx_current[radio.bank.settings.power]
    radio.burst_charge += sent
    done = end + IRQ_DELAY[frame.rate] if ok else end
    return Transmission(ok, tries, first, done, received, answer, repeats, on_air, charge + sent)
