"""One board in use: requests that wait in bench time, events kept by kind, restarts noticed."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar, cast

from benchctl.errors import BoardError, NoAnswer, Refused, Restarted, UsageError, WrongDevice
from benchctl.session.boot import Identity, check_protocol, identity, likely_cause
from benchctl.session.exchange import MAX_EVENTS, Exchange
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.port import Clock, Port
from benchctl.terms import Role, readable
from benchctl.wire import msg
from benchctl.wire.base import Answer, Event, Request
from benchctl.wire.catalogue import (
    NO_PIN,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTING_BY_NAME,
    Error,
    Function,
    PulseKind,
    Setting,
    name_of,
)
from benchctl.wire.fields import packed, unpacked, width

#: how long an answer may take: a full transmit queue at the slowest rate, plus a USB chip's 16 ms timer
ANSWER_S = 0.25
REPEATS = 3
A = TypeVar("A", bound=Answer)
E = TypeVar("E", bound=Event)
#: the longest wait for a board to say something after its port was opened: common boot loaders wait up to 2 s
BOOT_S = 3.0
#: who waits for something long and has something to do meanwhile does it this often at least
_LOOK_S = 0.2


class Board:
    """A board behind a port.

    role: what the bench takes it for. wiring: the owner's.
    identity: what it last said of itself, or None.
    on_restart: told the boot message of every restart, asked for or not.
    Every waiting method raises NoAnswer, Refused, Restarted (unless it was asked to restart), PortLost or Stopped.
    """

    def __init__(self, role: Role, port: Port, clock: Clock, wiring: OwnerWiring | None = None) -> None:
        self.role = role
        self.wiring = wiring or OwnerWiring()
        self.port = port
        self.clock = clock
        self.identity: Identity | None = None
        self.exchange = Exchange()
        #: role of the board it is reached through, "" with a port of its own
        self.via = ""
        #: rows of one long request that it can keep until they are fetched; None: they are sent as they come
        self.rows_kept: int | None = None
        self.silence_hint = "is it powered, is the probe firmware on it?"
        self.on_restart: Callable[[msg.Boot, bool], None] | None = None
        #: asked before every request; raises where it may not go
        self.gate: Callable[[Request[Any]], None] | None = None
        self.restarts = 0
        self.expects_restart = False
        #: a servo was seen not to be where it is declared: perhaps it is at the LED's pin, where every blink is a pulse
        #: that drives it against its stop
        self.servo_astray = False
        #: why it last restarted, in words
        self.cause = ""
        self._heard = clock.now()
        self._pulled: float | None = None
        self._loader_s: float | None = None
        self._restarted: msg.Boot | None = None
        self._kept: dict[type[Event], deque[Event]] = defaultdict(lambda: deque(maxlen=MAX_EVENTS))

    # ------------------------------------------------------------------ opening

    def open(self, quiet_s: float = 0.0) -> Identity:
        """Wait out the boot loader, then have the board identify itself.

        Opening a port restarts many boards; requests sent meanwhile end up in the boot loader, so `identify` is
        repeated until it is answered or BOOT_S have passed. quiet_s: wait first, where the port is known to reset.
        Raises WrongDevice when bytes come that are no frames of ours, NoAnswer when nothing comes at all.
        """
        self.expects_restart = True
        deadline = self.clock.now() + BOOT_S
        self._pulled = self.clock.now()
        if quiet_s:
            self.clock.wait(quiet_s)
        try:
            while True:
                try:
                    return self.identify()
                except NoAnswer:
                    if self.clock.now() >= deadline:
                        self._explain_silence()
                        raise
        finally:
            self.expects_restart = False
            self._restarted = self._pulled = None

    def _explain_silence(self) -> None:
        heard = self.exchange.bytes_in
        if self.exchange.frames.good == 0 and heard > 0:
            raise WrongDevice(
                f"{self.port.name}: {heard} bytes came but no frame of ours; another device, another firmware or "
                f"another baud rate than the probe firmware's"
            )
        raise NoAnswer(f"{self.port.name}: nothing came from the {self.role} board; {self.silence_hint}")

    def identify(self) -> Identity:
        """Ask who the board is. Raises WrongDevice for another protocol version."""
        answer = self.ask(msg.Identify(), timeout=0.3, repeats=1)
        check_protocol(self.port.name, answer.protocol)
        self.identity = identity(answer)
        return self.identity

    # ------------------------------------------------------------------ asking

    def measuring(self, seconds: float) -> None:
        """The next request keeps the board busy for so long; of no effect with a port of its own."""

    def packets(self) -> tuple[int, int]:
        """Packets sent over the air to reach it, and those of them that got no acknowledgement."""
        return 0, 0

    def pause(self, on: bool) -> None:
        """Send a far board no packets while the board that relays to it is looked at."""

    def ask(
        self,
        request: Request[A],
        *,
        timeout: float = ANSWER_S,
        repeats: int = REPEATS,
    ) -> A:
        """Send a request and wait for its answer; idempotent requests are repeated when it is late."""
        if self.gate is not None:
            self.gate(request)
        self.poll()
        self._refuse_if_restarted()
        self.port.write(self.exchange.ask(request, self.clock.now(), timeout, repeats))
        while True:
            answer = self.exchange.take_answer()
            if answer is not None:
                return self._checked(request, answer)
            try:
                self._refuse_if_restarted()
                if not self.clock.wait_input(self.exchange.due()):
                    self._repeat_or_give_up(request)
            except BaseException:
                self.exchange.abandon()
                raise
            self.poll()

    def _repeat_or_give_up(self, request: Request[Answer]) -> None:
        again = self.exchange.repeat(self.clock.now())
        if again is None:
            text = f"the {self.role} board did not answer “{readable(request.NAME)}” on {self.port.name}"
            raise NoAnswer(text, role=self.role, request=request.NAME)
        self.port.write(again)

    def _checked(self, request: Request[A], answer: Answer) -> A:
        if not isinstance(answer, msg.Refusal):
            return cast(A, answer)  # the exchange takes no other
        code = name_of(Error, answer.code)
        text = f"the {self.role} board refused “{readable(request.NAME)}”: {code} (detail {answer.detail})"
        raise Refused(text, code, role=self.role, request=request.NAME)

    def _refuse_if_restarted(self) -> None:
        if self._restarted is not None and not self.expects_restart:
            self._restarted = None
            raise Restarted(f"the {self.role} board restarted: {self.cause}", self.cause)

    def clear_restart(self) -> None:
        """Go on after a restart that has been dealt with."""
        self._restarted = None

    def quiet(self) -> None:
        """End what an earlier stage may have left running: outputs, a loop or a test that holds the transceiver."""
        for request in (msg.Stop(silent=0), msg.LoopStop(), msg.LinkStop()):
            try:
                self.ask(request, timeout=1.0)
            except Refused:
                continue

    # ------------------------------------------------------------------ events

    def poll(self) -> None:
        """Take in what the port has, sort events by kind. Raises PortLost."""
        data = self.port.read_nowait()
        if not data:
            return
        self.exchange.feed(data)
        heard, self._heard = self._heard, self.clock.now()
        for event in self.exchange.take_events():
            if isinstance(event, msg.Boot):
                self._note_boot(event, self._heard - heard)
            kept = self._kept[type(event)]
            if len(kept) == MAX_EVENTS:
                self.exchange.counts.overflowed += 1
            kept.append(event)

    def _note_boot(self, event: msg.Boot, silence_s: float) -> None:
        self.cause = likely_cause(event, self._pulled is not None, silence_s, self._loader_s)
        if self._pulled is not None:
            self._loader_s, self._pulled = self._heard - self._pulled, None
        self.restarts += 1
        self._restarted = event
        if self.on_restart is not None:
            self.on_restart(event, self.expects_restart)

    def check(self) -> None:
        """Take in what the port has. Raises PortLost when it is gone, Restarted after a restart nobody asked for."""
        self.poll()
        self._refuse_if_restarted()

    def events(self, kind: type[E]) -> list[E]:
        """Events of a kind that have come since the last call."""
        self.poll()
        out = cast(list[E], list(self._kept[kind]))
        self._kept[kind].clear()
        return out

    def wait_event(self, kind: type[E], timeout: float, meanwhile: Callable[[], object] | None = None) -> E:
        """The next event of a kind. Raises NoAnswer when none has come in time.

        meanwhile: called whenever something has come, and a few times a second; it may look at kept events, not wait.
        """
        deadline = self.clock.now() + timeout
        while True:
            self.poll()
            if self._kept[kind]:
                return cast(E, self._kept[kind].popleft())
            self._refuse_if_restarted()
            until = deadline
            if meanwhile is not None:
                meanwhile()
                until = min(deadline, self.clock.now() + _LOOK_S)
            if not self.clock.wait_input(until) and self.clock.now() >= deadline:
                self.poll()
                if not self._kept[kind]:
                    raise NoAnswer(f"the {self.role} board sent no “{readable(kind.NAME)}” within {timeout:g} s")

    def wait_done(
        self, kind: type[Request[Answer]], timeout: float, meanwhile: Callable[[], object] | None = None
    ) -> int:
        """Wait for the end of a long request; returns its detail. Ends of other requests are dropped.

        meanwhile: as for `wait_event`.

        Raises Refused when it ended with an error.
        """
        deadline = self.clock.now() + timeout
        done = self.wait_event(msg.Done, timeout, meanwhile)
        while done.what != kind.TYPE:
            left = deadline - self.clock.now()
            if left <= 0:
                raise NoAnswer(f"the {self.role} board did not end “{readable(kind.NAME)}” within {timeout:g} s")
            done = self.wait_event(msg.Done, left, meanwhile)
        if done.status:
            code = name_of(Error, done.status)
            text = f"the {self.role} board gave up “{readable(kind.NAME)}”: {code} (detail {done.detail})"
            raise Refused(text, code, role=self.role, request=kind.NAME)
        return done.detail

    def is_done(self, kind: type[Request[Answer]]) -> bool:
        """Whether the end of a long request has come; ends are forgotten by the look."""
        return any(done.what == kind.TYPE for done in self.events(msg.Done))

    def drop_events(self, *kinds: type[Event]) -> None:
        """Drop the kept events of these kinds."""
        self.poll()
        for kind in kinds:
            self._kept[kind].clear()

    def forget_events(self) -> None:
        """Drop all kept events, before a stage begins."""
        self.poll()
        self._kept.clear()

    # ------------------------------------------------------------------ settings, restart

    def read_setting(self, name: str) -> int | str:
        """A stored setting's value. Raises KeyError for a name that is not in the catalogue."""
        setting = SETTING_BY_NAME[name]
        value = unpacked(setting.type, self._stored(setting.key, width(setting.type), name))
        if isinstance(value, str):
            return value
        number = int(value)
        if not setting.min <= number <= setting.max:
            raise BoardError(f"the {self.role} board says that its setting {name} is {number}, which it cannot be")
        return number

    def _stored(self, key: int, width: int, what: str) -> bytes:
        answer = self.ask(msg.SettingRead(key=key))
        if answer.key != key or len(answer.data) != width:
            raise BoardError(f"the {self.role} board answered for its setting {what} with {len(answer.data)} bytes "
                             f"of setting {answer.key}, expected {width} of {key}")  # fmt: skip
        return answer.data

    def write_setting(self, name: str, value: int | str) -> None:
        """Set a setting in RAM; `save_settings` keeps it."""
        setting = SETTING_BY_NAME[name]
        self.ask(msg.SettingWrite(key=setting.key, data=setting_bytes(setting, value)))

    def read_pin(self, function: Function) -> int:
        """The pin code the board has for a function; 0xFF is none."""
        return self._stored(PIN_KEYS + function, 1, f"pin of {name_of(Function, function)}")[0]

    def write_pin(self, function: Function, pin: int) -> None:
        """Give a function a pin, in RAM; 0xFF is none."""
        self.ask(msg.SettingWrite(key=PIN_KEYS + function, data=bytes([pin])))

    def write_pulse_kind(self, channel: int, kind: PulseKind) -> None:
        """channel counts from 1."""
        self.ask(msg.SettingWrite(key=PULSE_KIND_KEYS + channel - 1, data=bytes([kind])))

    def match_outputs(self, pins: Mapping[Function, int], kinds: Sequence[PulseKind]) -> bool:
        """Put pins and kinds of pulse outputs right where they differ; whether anything did.

        What changes is let go first, so that no pin has two functions, and no output another kind, in between.
        """
        moved = {function: pin for function, pin in pins.items() if self.read_pin(function) != pin}
        turned = {n: kind for n, kind in enumerate(kinds, 1) if self.read_pulse_kind(n) != kind}
        for channel in turned:
            self.write_pulse_kind(channel, PulseKind.NONE)
        for function in moved:
            self.write_pin(function, NO_PIN)
        for function, pin in moved.items():
            if pin != NO_PIN:
                self.write_pin(function, pin)
        for channel, kind in turned.items():
            if kind is not PulseKind.NONE:
                self.write_pulse_kind(channel, kind)
        return bool(moved or turned)

    def read_pulse_kind(self, channel: int) -> int:
        """What hangs on a pulse output, as `PulseKind`; channel counts from 1."""
        return self._stored(PULSE_KIND_KEYS + channel - 1, 1, f"kind of pulse output {channel}")[0]

    def save_settings(self) -> None:
        """To EEPROM, where a byte takes up to 3.6 ms."""
        self.ask(msg.SettingsSave(), timeout=2.0)

    def restart(self) -> msg.Boot:
        """Have the board restart itself, by its watchdog; returns its boot message."""
        try:
            return self._restarting(lambda: self.ask(msg.Restart()))
        except NoAnswer as e:
            raise NoAnswer(
                f"{e}; an old boot loader that does not end the watchdog never comes back from such a restart: "
                f"switch its supply off and on, and give the board a newer boot loader"
            ) from e

    def reset_by_line(self) -> msg.Boot:
        """Restart the board through its port's reset line; returns its boot message."""
        return self._restarting(self._pull)

    def _pull(self) -> None:
        self._pulled = self.clock.now()
        self.port.reset()

    def _restarting(self, how: Callable[[], object]) -> msg.Boot:
        self.events(msg.Boot)
        self.expects_restart = True
        try:
            how()
            return self.wait_event(msg.Boot, BOOT_S)
        finally:
            self.expects_restart = False
            self._restarted = self._pulled = None


def setting_bytes(setting: Setting, value: int | str) -> bytes:
    """A setting's value as it goes over the wire. Raises UsageError when it does not fit."""
    if setting.type != "text16" and not setting.min <= int(value) <= setting.max:
        raise UsageError(f"setting {setting.name}: {value} is not between {setting.min} and {setting.max}")
    try:
        return packed(setting.type, value)
    except ValueError as e:
        raise UsageError(f"setting {setting.name}: {e}") from e
