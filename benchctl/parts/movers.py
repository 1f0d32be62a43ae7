"""What moves and what sends, watched for the harm log: motors, servos, transceivers with an amplifier."""

from __future__ import annotations

import math

from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.pairfile.pins import code
from benchctl.parts.agenda import Agenda
from benchctl.parts.allowance import RESET_S, Allowance
from benchctl.parts.board import BACK_FED_A, Board
from benchctl.parts.harm import HarmLog
from benchctl.parts.motor import Esc
from benchctl.parts.servo import Servo
from benchctl.wire.catalogue import NO_PIN

#: widths are compared with this much room: a tick of the chip; of full and idle told apart, the lateness of a pin
#: without a compare unit as well
_ROOM_US, LATE_US = 0.6, 12.0
#: a servo against its stop for so long overheats; no source
STALL_S = 0.5
#: pulses further apart than this are no continued command
_GAP_S = 0.1
#: an aerial that loses so much is none; no source
NO_AERIAL_DB = 30.0


class MotorWatch:
    """One motor controller: no pulse that it would turn on, and no turning, without a live throttle on its channel."""

    def __init__(self, board: Board, name: str, allowed: Allowance, agenda: Agenda, log: HarmLog) -> None:
        self._board, self._name, self._allowed, self._agenda, self._log = board, name, allowed, agenda, log
        self._pin = code(board.pins[name]) if board.pins.get(name) else NO_PIN
        self._esc: Esc = board.escs[name]
        self._looking = False
        self._pulse_at = 0.0
        self._esc.told.append(self._pulse)

    @property
    def _channel(self) -> int:
        """The output that the firmware takes the controller's pin for: what is soldered may differ."""
        return self._allowed.channel_at(self._pin)

    def _pulse(self, time: float, width_us: float) -> None:
        self._pulse_at = time
        room = math.copysign(_ROOM_US, width_us - self._esc.rest_us)
        if not self._esc.throttle_of(width_us - room) or not self._esc.powered:
            return
        if self._taught(time, width_us):
            return
        if not self._allowed.live(self._channel, time):
            self._note(HarmKind.PULSE, time, abs(width_us - self._esc.rest_us), "us from its rest")
            if self._turning():
                self._note(HarmKind.TURNING, time, 100 * self._throttle(), "% throttle")
        elif not self._looking:
            self._looking = True
            self._agenda.at(self._allowed.live_until(self._channel), self._look)

    def _taught(self, time: float, width_us: float) -> bool:
        """A pulse of the lesson that was asked for, at a controller that has got its power in the course of it."""
        asked = self._allowed.lesson_us(self._channel, time)
        since = self._allowed.lesson_since(self._channel)
        return self._esc.powered_at >= since and any(abs(width_us - us) <= LATE_US + _ROOM_US for us in asked)

    def _look(self) -> None:
        """The throttle has lapsed, unless it was asked for anew; a controller holds on for a while by itself."""
        now = self._agenda.now
        until = self._allowed.live_until(self._channel)
        if until > now:
            self._agenda.at(until, self._look)
            return
        if self._turning() and now < self._pulse_at + self._esc.spec.lost_s:
            self._agenda.at(self._pulse_at + self._esc.spec.lost_s + 1e-3, self._look)
            return
        self._looking = False
        if self._turning():
            self._note(HarmKind.TURNING, now, 100 * self._throttle(), "% throttle")

    def _throttle(self) -> float:
        return self._esc.motor.throttle if self._esc.motor is not None else 0.0

    def _turning(self) -> bool:
        return self._throttle() > 0

    def _note(self, kind: HarmKind, time: float, value: float, unit: str) -> None:
        self._log.note(kind, self._board.role, f"motor on {self._name}", time, value, unit)


class ServoWatch:
    """One servo: within its end points, and never against a stop for long."""

    def __init__(self, board: Board, name: str, allowed: Allowance, agenda: Agenda, log: HarmLog) -> None:
        self._board, self._name, self._allowed, self._agenda, self._log = board, name, allowed, agenda, log
        self._servo: Servo = board.servos[name]
        self._past_since = self._past_at = -1.0
        self._servo.told.append(self._pulse)

    def _pulse(self, time: float, width_us: float) -> None:
        spec = self._servo.spec
        past = max(spec.min_us - width_us, width_us - spec.max_us)
        if past <= _ROOM_US:
            self._past_since = -1.0
            return
        if self._past_since < 0 or time - self._past_at > _GAP_S:
            self._past_since = time
        self._past_at = time
        # a reset that cuts a pulse is told a little later, and one short pulse moves nothing far
        self._agenda.at(time + 2 * RESET_S, self._judge, time, past)
        if time - self._past_since > STALL_S:
            self._note(HarmKind.STALL, time, time - self._past_since, "s")

    def _judge(self, time: float, past: float) -> None:
        if not self._allowed.cut(time):
            self._note(HarmKind.SERVO_ENDS, time, past, "us past its end")

    def _note(self, kind: HarmKind, time: float, value: float, unit: str) -> None:
        self._log.note(kind, self._board.role, f"servo on {self._name}", time, value, unit)


def watch_feeding(board: Board, log: HarmLog) -> None:
    """A motor controller's regulator and USB on one rail: the weaker is fed backwards."""

    def look(time: float) -> None:
        if board.fed_back:
            log.note(HarmKind.BACK_FED, board.role, "USB, by the controllers' red wire", time, 1e3 * BACK_FED_A, "mA")

    board.on_power.append(look)
    look(board.now())


def watch_sending(board: Board, log: HarmLog) -> None:
    """An amplifier without an aerial takes back what it sends."""
    spec = board.spec.radio
    if spec.variant == "high-power" and spec.antenna_loss_db >= NO_AERIAL_DB:
        board.radio.on_burst.append(
            lambda time: log.note(HarmKind.NO_AERIAL, board.role, "transceiver", time, spec.antenna_loss_db, "dB lost")
        )
