"""The link test: paced packets with or without acknowledgement, pings and their echoes, every one logged.

Packets go through `Transceiver.transact`, one agenda entry each. A packet's entry is at the moment when CE rises; its
upload lies before it, its fate is known at once and is logged with the times at which the interrupts fall.
"""

from __future__ import annotations

import struct
from collections.abc import Generator
from dataclasses import dataclass

from benchctl.parts.agenda import Entry
from benchctl.parts.nrf24 import Outcome
from benchctl.sim.peers import Peers
from benchctl.sim.probe import Done, Handler, Probe, Refusal
from benchctl.sim.probe_radio import Radio
from benchctl.sim.rows import Rows
from benchctl.wire.catalogue import Error, LinkMode
from benchctl.wire.messages import Msg

#: payload: packet number; an echo adds the arrival in the other board's ticks, and its turn-around
_HEAD = struct.Struct("<H")
_ECHO = struct.Struct("<HIH")
PAYLOAD_LEAST, PAYLOAD_MOST = 8, 32
INTERVAL_MOST_US = 10_000_000
#: no interrupt after so long: the packet is given up; 16 tries at 250 kbps take 76 ms
HANGS = 0.1
#: the longest turn-around is 10 ms
ECHO_WAIT = 15e-3
#: from CE to listening, with some room (Product Specification, table 16: 130 µs)
LISTENS = 200e-6
DELIVERED = 0x10
QUEUED = 0x01

_RECEIVERS = (LinkMode.RECEIVE, LinkMode.ECHO)
_EVENT = {
    LinkMode.SEND: "link_sent", LinkMode.SEND_ACK: "link_sent", LinkMode.PING: "link_pinged",
    LinkMode.RECEIVE: "link_received", LinkMode.ECHO: "link_received",
}  # fmt: skip


@dataclass(slots=True)
class _Run:
    """One test on one board."""

    mode: LinkMode
    test: int
    count: int
    interval: float
    payload: int
    due: float = 0.0  # when the next packet is to be queued
    number: int = 0
    sent: int = 0
    delivered: int = 0
    received: int = 0
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
        self._rows = {kind: Rows(probe, kind) for kind in set(_EVENT.values())}
        self._out = self._rows["link_sent"]
        self._rate = 2e6  # ticks per true second, while a run lasts
        self._heard: tuple[float, int, int] | None = None
        self.handlers: dict[str, Handler] = {"link_start": self.link_start, "link_stop": self.link_stop}
        probe.at_end.append(self._ended)

    # ------------------------------------------------------------------ requests

    def link_start(self, message: Msg) -> Generator[float, None, Done]:
        m = message
        if m.mode > max(LinkMode) or not PAYLOAD_LEAST <= m.payload <= PAYLOAD_MOST:
            return Refusal(Error.VALUE)
        if m.interval_us > INTERVAL_MOST_US:
            return Refusal(Error.VALUE)
        if not self.probe.busy.take("radio", "link_start"):
            return Refusal(Error.BUSY)
        mode = LinkMode(m.mode)
        listens = mode in _RECEIVERS or mode is LinkMode.PING
        refused = yield from self.radio.prepare(listens)
        if refused is not None:
            self.probe.busy.free("radio")
            return refused
        self._begin(_Run(mode, m.test, m.count, self.probe.seconds(2 * m.interval_us), m.payload))
        return {"start": self.probe.tick()}

    def _begin(self, run: _Run) -> None:
        self._run = run
        self._out = self._rows[_EVENT[run.mode]]
        self._out.dropped = 0
        self._out.begin(run.test)
        oscillator = self.probe.chip.oscillator
        self._rate = oscillator.nominal_hz * (1.0 + 1e-6 * oscillator.rate_ppm(self.probe.agenda.now))
        if run.mode in _RECEIVERS:
            self.radio.on_packet = self._arrived
        else:
            self.radio.on_packet = self._echoed
            # a sender of pings has to be listening itself by then
            run.due = self.probe.agenda.now + (LISTENS if run.mode is LinkMode.PING else self.probe.timing.loop)
            self._next()

    def link_stop(self, message: Msg) -> Done:
        run, self._run = self._run, None
        if run is not None:
            if run.entry is not None:
                run.entry.cancel()
            self._finish(run)
            self._last = run
        last = self._last
        if last is None:
            return {"sent": 0, "delivered": 0, "received": 0, "dropped": 0}
        return {
            "sent": last.sent, "delivered": last.delivered, "received": last.received,
            "dropped": min(0xFFFF, self._out.dropped),
        }  # fmt: skip

    def _finish(self, run: _Run) -> None:
        self._out.flush()
        self.radio.release()
        self.probe.busy.free("radio")

    def _ended(self) -> None:
        self._run = None

    # ------------------------------------------------------------------ sending

    def _upload_time(self, run: _Run) -> float:
        return self.radio.spi_time(1 + run.payload)

    def _next(self) -> None:
        """Have the next packet's CE rise when its time has come and its upload is done."""
        run = self._run
        assert run is not None
        start = max(run.due, self.probe.agenda.now)
        run.entry = self.probe.agenda.at(start + self._upload_time(run), self._packet, run, start)

    def _packet(self, run: _Run, queued: float) -> None:
        """CE rises now; the upload began at `queued`."""
        probe = self.probe
        if run is not self._run or not probe.alive:
            return
        now = probe.agenda.now
        ping = run.mode is LinkMode.PING
        number = run.number & 0xFFFF
        body = _HEAD.pack(number) + bytes(run.payload - _HEAD.size)
        run.number += 1
        run.sent += 1
        over = now + HANGS
        ce = probe.tick(now)
        if probe.hardware.radio.ready and self.radio.applied is not None:
            outcome = probe.hardware.transact(body, now, run.mode is not LinkMode.SEND_ACK)
            heard = self.radio.works()
            for got in outcome.received:
                self.peers.deliver(got)
            if outcome.done_time > now and heard:
                over = outcome.done_time
                if ping:
                    self._ping(run, number, ce, now)
                else:
                    self._sent(run, number, ce, now, queued, outcome)
            else:
                self._hung(run, number, ce, now, queued, over)
        else:
            self._hung(run, number, ce, now, queued, over)
        self._pace(run, run.busy_until if ping else over + probe.timing.radio_isr)

    def _sent(self, run: _Run, number: int, ce: int, now: float, queued: float, outcome: Outcome) -> None:
        rate = self._rate
        done = ce + int((outcome.done_time + self.probe.isr() - now) * rate)
        air = int((now - queued) * rate)
        result = outcome.retries | (DELIVERED if outcome.ok else 0)
        run.delivered += outcome.ok
        self._out.add(self._out.pack(number, (ce - air) & 0xFFFFFFFF, air, done & 0xFFFFFFFF, result))

    def _hung(self, run: _Run, number: int, ce: int, now: float, queued: float, over: float) -> None:
        """No interrupt came."""
        air = int((now - queued) * self._rate)
        run.busy_until = over
        if run.mode is LinkMode.PING:
            self._out.add(self._out.pack(number, ce, 0, 0, 0, 0))
        else:
            done = ce + int((over - now) * self._rate)
            self._out.add(self._out.pack(number, (ce - air) & 0xFFFFFFFF, air, done & 0xFFFFFFFF, 0))
        self.radio.check()

    def _pace(self, run: _Run, free: float) -> None:
        """When the next packet is due, or the end."""
        if run.count and run.number >= run.count:
            run.entry = self.probe.at(max(free, self.probe.agenda.now), self._all_sent, run)
            return
        run.due = max(run.due + run.interval, free) if run.interval else free
        self._next()

    def _all_sent(self, run: _Run) -> None:
        if run is self._run:
            self._run, self._last = None, run
            self._finish(run)
            self.probe.done("link_start", detail=run.sent)

    # ------------------------------------------------------------------ pings

    def _ping(self, run: _Run, number: int, ce: int, now: float) -> None:
        """The echo, if one comes, has been handed over by `_echoed` by now: the other board answered at once."""
        if self._heard is None:
            self._out.add(self._out.pack(number, ce, 0, 0, 0, 0))
            run.busy_until = now + ECHO_WAIT
            return
        time, there, turnaround = self._heard
        self._heard = None
        back = ce + int((time + self.probe.isr() - now) * self._rate)
        run.delivered += 1
        run.busy_until = time + self.probe.timing.radio_isr + self._upload_time(run)
        self._out.add(self._out.pack(number, ce, back & 0xFFFFFFFF, there, turnaround, DELIVERED))

    def _echoed(self, payload: bytes, time: float) -> None:
        """A packet for a board that sends: only an echo to the ping under way counts."""
        run = self._run
        if run is None or len(payload) < _ECHO.size:
            return
        number, there, turnaround = _ECHO.unpack_from(payload)
        if number == (run.number - 1) & 0xFFFF:
            self._heard = (time, there, turnaround)
            run.received += 1

    # ------------------------------------------------------------------ receiving

    def _arrived(self, payload: bytes, time: float) -> None:
        """A packet's interrupt falls at `time`, now or a little later."""
        run = self._run
        if run is None or len(payload) < _HEAD.size:
            return
        probe = self.probe
        (number,) = _HEAD.unpack_from(payload)
        run.received += 1
        stamp = probe.stamp(time)
        flags = QUEUED if time < run.busy_until else 0
        run.busy_until = max(time, run.busy_until) + probe.timing.radio_isr + self._upload_time(run)
        self._out.add(self._out.pack(number, stamp, flags))
        if run.mode is LinkMode.ECHO:
            self._echo(run, number, stamp, time, len(payload))

    def _echo(self, run: _Run, number: int, stamp: int, time: float, length: int) -> None:
        """CE rises exactly `turnaround` ticks after the ping's time stamp."""
        probe = self.probe
        turnaround = probe.settings.number("turnaround_ticks")
        reply = (_ECHO.pack(number, stamp, turnaround) + bytes(length))[:length]
        ahead = (stamp - probe.tick(time)) & 0xFFFFFFFF
        ce = time + (ahead + turnaround) / self._rate
        outcome = probe.hardware.transact(reply, ce, True)
        run.sent += 1
        run.delivered += outcome.ok
        for got in outcome.received:
            self.peers.deliver(got)
