"""The link test, as in `firmware_probe/link.cpp`: paced packets with or without acknowledgement, pings and echoes.

Packets go through `Transceiver.transact`, one agenda entry each. A packet's entry is at the moment when CE rises; its
upload lies before it, its fate is known at once and is logged with the times at which the interrupts fall.
"""

from __future__ import annotations

import struct
from collections.abc import Generator
from dataclasses import dataclass

from benchctl.parts import radio_setup
from benchctl.parts.agenda import Entry
from benchctl.parts.nrf24 import Transmission
from benchctl.sim.outbox import RowKind
from benchctl.sim.peers import Peers
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.probe_radio import START_UP, Radio
from benchctl.wire import msg
from benchctl.wire.catalogue import Error, LinkMode

#: payload: packet number, test, filler; of an echo: number, arrival in the echoing board's ticks, turn-around
_HEAD = struct.Struct("<HB")
_ECHO = struct.Struct("<HIH")
PAYLOAD_MOST = 32
INTERVAL_BELOW_US = 1_000_000_000
#: no interrupt after so long: the packet is given up (16 tries of 1316 µs + 4 ms, section 7.4.2)
FLIGHT_LIMIT = 0.1
#: an echo later than its turn-around and this does not come
ECHO_MARGIN = 6e-3
#: from CE to listening (Product Specification, table 16: 130 µs)
LISTENS = 130e-6
DELIVERED = 0x10
QUEUED = 0x01
_RECEIVERS = (LinkMode.RECEIVE, LinkMode.ECHO)


@dataclass(slots=True)
class _Run:
    """One test on one board. left: packets still to be sent, -1 without end."""

    mode: LinkMode
    test: int
    head: bytes
    left: int
    interval: float
    payload: int
    filler: bytes
    rate: float  # ticks per true second
    next_at: float = 0.0
    number: int = 0
    sent: int = 0
    delivered: int = 0
    received: int = 0
    dropped: int = 0
    busy_until: float = 0.0
    entry: Entry | None = None


class Link:
    """Requests 0x14 and 0x15."""

    def __init__(self, probe: Probe, radio: Radio, peers: Peers) -> None:
        self.probe = probe
        self.radio = radio
        self.peers = peers
        self._run: _Run | None = None
        self._last: _Run | None = None
        self._sent_rows, self._got_rows = RowKind(msg.LinkSent), RowKind(msg.LinkReceived)
        self._ping_rows = RowKind(msg.LinkPinged)
        self._heard: tuple[float, int, int] | None = None
        self.handlers: Handlers = {msg.LinkStart: self.link_start, msg.LinkStop: self.link_stop}
        probe.at_end.append(self._ended)

    # ------------------------------------------------------------------ requests

    def link_start(self, message: msg.LinkStart) -> Generator[float, None, Done]:
        m = message
        least = 8 if m.mode >= LinkMode.PING else 3
        plausible = m.mode <= max(LinkMode) and least <= m.payload <= PAYLOAD_MOST
        if not plausible or m.interval_us >= INTERVAL_BELOW_US:
            return Refusal(Error.VALUE)
        if m.mode == LinkMode.SEND_ACK and radio_setup.fixed_length(self.probe.settings.number):
            return Refusal(Error.VALUE)
        self.radio.length = m.payload
        yield self.radio.apply_time()
        if self.radio.apply():
            return Refusal(Error.PART)
        self.probe.busy.take("radio", "link_start")
        due = self.probe.agenda.now + START_UP
        self._run = self._made(m)
        self._run.entry = self.probe.at(due, self._begin, self._run)
        return msg.LinkStartAnswer(start=self.probe.tick(due))

    def _made(self, m: msg.LinkStart) -> _Run:
        oscillator, now = self.probe.chip.oscillator, self.probe.agenda.now
        rate = oscillator.nominal_hz * (1.0 + 1e-6 * oscillator.rate_ppm(now))
        filler = bytes(max(0, m.payload - _HEAD.size))
        return _Run(
            LinkMode(m.mode), m.test, bytes((m.test,)), m.count or -1, 2 * m.interval_us / rate, m.payload, filler, rate
        )

    def _begin(self, run: _Run) -> None:
        """The transceiver's crystal runs."""
        if run.mode in _RECEIVERS:
            self.radio.serve(self._arrived)
            return
        now = self.probe.agenda.now
        run.next_at = now
        if run.mode is LinkMode.PING:
            # it listens whenever it does not send; the first ping waits until it does
            self.radio.serve(self._echoed)
            run.next_at = now + LISTENS
        self._upload(run, run.next_at)

    def link_stop(self, message: msg.LinkStop) -> Done:
        run, self._run = self._run, None
        if run is not None:
            if run.entry is not None:
                run.entry.cancel()
            self._release()
            self._last = run
        last = self._last
        if last is None:
            return msg.LinkStopAnswer(sent=0, delivered=0, received=0, dropped=0, late=0)
        return msg.LinkStopAnswer(
            sent=last.sent,
            delivered=last.delivered,
            received=last.received,
            dropped=last.dropped,
            late=self.radio.stamps_late(),
        )

    def _release(self) -> None:
        self.radio.release()
        self.probe.busy.free("radio")

    def _ended(self) -> None:
        self._run = None

    # ------------------------------------------------------------------ pace

    def _upload_time(self, run: _Run) -> float:
        return self.radio.spi_time(1 + run.payload)

    def _upload(self, run: _Run, start: float) -> None:
        """Upload from `start` on, CE when that is done."""
        run.entry = self.probe.agenda.at(start + self._upload_time(run), self._packet, run, start)

    def _pace(self, run: _Run, ce: float, free: float, flushed: bool) -> None:
        """The packet of `ce` is over at `free`: the next one, or the end."""
        if run.left == 0:
            run.entry = self.probe.at(free, self._all_sent, run)
        elif run.interval:
            if free - run.next_at > run.interval:  # late by a whole interval: no catching up in a burst
                run.next_at = free
            late = self.probe.chance.random() * self.probe.timing.pace_late
            self._upload(run, max(free, run.next_at + late))
        elif run.mode is LinkMode.PING or flushed:
            self._upload(run, free)
        else:  # uploaded while the last one flew
            queued = ce + self.probe.timing.upload_after
            run.entry = self.probe.agenda.at(max(free, queued + self._upload_time(run)), self._packet, run, queued)

    def _all_sent(self, run: _Run) -> None:
        if run is self._run:
            self._run, self._last = None, run
            self.probe.out.flush()
            self._release()
            self.probe.done(msg.LinkStart, detail=run.dropped)

    # ------------------------------------------------------------------ sending

    def _packet(self, run: _Run, queued: float) -> None:
        """CE rises now; the upload began at `queued`."""
        probe = self.probe
        if run is not self._run or not probe.alive:
            return
        now = probe.agenda.now
        body = _HEAD.pack(run.number, run.test) + run.filler
        number = run.number
        run.number = number + 1 & 0xFFFF
        run.sent += 1
        run.left -= run.left > 0
        run.next_at += run.interval
        outcome = None
        if self.radio.works():
            sent = probe.hardware.transact(body, now, run.mode is not LinkMode.SEND_ACK)
            outcome = sent if sent.on_air else None
            for got in sent.received:
                self.peers.deliver(got)
        if run.mode is LinkMode.PING:
            self._ping(run, number, now, outcome)
        else:
            self._flight(run, number, now, queued, outcome)

    def _flight(self, run: _Run, number: int, now: float, queued: float, outcome: Transmission | None) -> None:
        probe, rate = self.probe, run.rate
        result, over = 0, now + FLIGHT_LIMIT
        if outcome is not None:
            over = outcome.done_time + self.radio.noticed()
            result = outcome.retries | (DELIVERED if outcome.ok else 0)
            run.delivered += outcome.ok and run.mode is LinkMode.SEND_ACK
        else:
            self.radio.check()
        ce = probe.tick(now)
        air = int((now - queued) * rate)
        row = self._sent_rows.pack(
            number, ce - air & 0xFFFFFFFF, min(air, 0xFFFF), ce + int((over - now) * rate) & 0xFFFFFFFF, result
        )
        run.dropped += not probe.out.row(self._sent_rows, run.head, row)
        served = probe.timing.radio_isr + probe.held_up()
        if run.mode is LinkMode.SEND_ACK:
            served += probe.timing.observe
        self._pace(run, now, over + served, not result & DELIVERED)

    # ------------------------------------------------------------------ pings

    def _ping(self, run: _Run, number: int, now: float, outcome: Transmission | None) -> None:
        """An echo, if one comes, has been handed over by now: the other board's answer was worked out at once."""
        probe = self.probe
        ce = probe.tick(now)
        heard, self._heard = self._heard, None
        if outcome is None:
            self.radio.check()
        if heard is None:
            over = now + probe.settings.number("turnaround_ticks") / run.rate + ECHO_MARGIN
            row = self._ping_rows.pack(number, ce, 0, 0, 0, 0)
        else:
            time, there, turnaround = heard
            over = time + self.radio.noticed()
            run.delivered += 1
            back = ce + int((over - now) * run.rate) & 0xFFFFFFFF
            row = self._ping_rows.pack(number, ce, back, there, turnaround, DELIVERED)
        run.dropped += not probe.out.row(self._ping_rows, run.head, row)
        self._pace(run, now, over + probe.timing.ping_turn + probe.held_up(), False)

    def _echoed(self, payload: bytes, time: float) -> None:
        """A packet for a board that pings: only the echo of the ping under way counts."""
        run = self._run
        if run is None or len(payload) < _ECHO.size:
            return
        number, there, turnaround = _ECHO.unpack_from(payload)
        if number == (run.number - 1) & 0xFFFF:
            self._heard = (time, there, turnaround)

    # ------------------------------------------------------------------ receiving

    def _arrived(self, payload: bytes, time: float) -> None:
        """A packet's interrupt falls at `time`, now or a little later."""
        run = self._run
        echoes = run is not None and run.mode is LinkMode.ECHO
        if run is None or len(payload) < (_ECHO.size if echoes else 2):
            return
        probe = self.probe
        number = payload[0] | payload[1] << 8
        run.received += 1
        stamp = probe.tick(time + self.radio.noticed())
        flags = QUEUED if time < run.busy_until else 0
        run.busy_until = max(time, run.busy_until) + probe.timing.radio_isr + self._upload_time(run)
        run.dropped += not probe.out.row(self._got_rows, run.head, self._got_rows.pack(number, stamp, flags))
        if echoes:
            self._echo(run, number, stamp, time, len(payload))

    def _echo(self, run: _Run, number: int, stamp: int, time: float, length: int) -> None:
        """CE rises exactly `turnaround` ticks after the ping's time stamp."""
        probe = self.probe
        turnaround = probe.settings.number("turnaround_ticks")
        reply = (_ECHO.pack(number, stamp, turnaround) + bytes(length))[:length]
        behind = stamp - probe.tick(time) & 0xFFFFFFFF
        run.sent += 1
        if not self.radio.works():
            return
        outcome = probe.hardware.transact(reply, time + (behind + turnaround) / run.rate, True)
        run.busy_until = outcome.done_time + LISTENS if outcome.on_air else 0.0
        for got in outcome.received:
            self.peers.deliver(got)
