"""One board in use: requests that wait in bench time, events kept by kind, restarts noticed."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from typing import Any

from benchctl.errors import BoardError, NoAnswer, Refused, Restarted, WrongDevice
from benchctl.session.boot import Identity, check_protocol, identity, likely_cause
from benchctl.session.declared import Declared
from benchctl.session.exchange import MAX_EVENTS, Exchange
from benchctl.session.port import Clock, Port
from benchctl.terms import Role
from benchctl.wire.catalogue import (
    BY_NAME,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTING_BY_NAME,
    Error,
    Function,
    PulseKind,
    Setting,
    name_of,
)
from benchctl.wire.messages import Msg

#: how long an answer may take: a full transmit queue at the slowest rate, plus a USB chip's 16 ms timer
ANSWER_S = 0.25
REPEATS = 3
#: the longest wait for a board to say something after its port was opened: common boot loaders wait up to 2 s
BOOT_S = 3.0
#: who waits for something long and has something to do meanwhile does it this often at least
_LOOK_S = 0.2


class Board:
    """A board behind a port.

    role: what the bench takes it for. declared: how its owner says it is wired.
    identity: what it last said of itself, or None.
    on_restart: told the boot message of every restart, asked for or not.
    Every waiting method raises NoAnswer, Refused, Restarted (unless it was asked to restart), PortLost or Stopped.
    """

    def __init__(self, role: Role, port: Port, clock: Clock, declared: Declared | None = None) -> None:
        self.role = role
        self.declared = declared or Declared()
        self.port = port
        self.clock = clock
        self.identity: Identity | None = None
        self.exchange = Exchange()
        #: role of the board it is reached through, "" with a port of its own
        self.via = ""
        #: rows of one long request that it can keep until they are fetched; None: they are sent as they come
        self.rows_kept: int | None = None
        self.silence_hint = "is it powered, is the probe firmware on it?"
        self.on_restart: Callable[[Msg, bool], None] | None = None
        self.restarts = 0
        self.expects_restart = False
        #: why it last restarted, in words
        self.cause = ""
        self._heard = clock.now()
        self._pulled: float | None = None
        self._loader_s: float | None = None
        self._restarted: Msg | None = None
        self._kept: dict[str, deque[Msg]] = defaultdict(lambda: deque(maxlen=MAX_EVENTS))

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
        answer = self.ask("identify", timeout=0.3, repeats=1)
        check_protocol(self.port.name, answer.protocol)
        self.identity = identity(answer)
        return self.identity

    # ------------------------------------------------------------------ asking

    def measuring(self, seconds: float) -> None:
        """The next request keeps the board busy for so long; of no effect with a port of its own."""

    def packets(self) -> tuple[int, int]:
        """Packets sent over the air to reach it, and those of them that got no acknowledgement."""
        return 0, 0

    def hold(self, on: bool) -> None:
        """Leave the board alone, because what relays to it is looked at itself; of no effect with a port of its own."""

    def ask(
        self,
        kind: str,
        *,
        data: bytes = b"",
        timeout: float = ANSWER_S,
        repeats: int = REPEATS,
        also: Mapping[str, Any] | None = None,
        **fields: Any,
    ) -> Msg:
        """Send a request and wait for its answer; idempotent requests are repeated when it is late.

        also: fields whose names are those of this method's own keywords, such as the droop's `repeats`.
        """
        fields.update(also or {})
        self.poll()
        self._refuse_if_restarted()
        self.port.write(self.exchange.ask(kind, fields, data, self.clock.now(), timeout, repeats))
        while True:
            answer = self.exchange.take_answer()
            if answer is not None:
                return self._checked(kind, answer)
            try:
                self._refuse_if_restarted()
                if not self.clock.wait_input(self.exchange.due()):
                    self._repeat_or_give_up(kind)
            except BaseException:
                self.exchange.abandon()
                raise
            self.poll()

    def _repeat_or_give_up(self, kind: str) -> None:
        again = self.exchange.repeat(self.clock.now())
        if again is None:
            raise NoAnswer(f"the {self.role} board did not answer {kind!r} on {self.port.name}")
        self.port.write(again)

    def _checked(self, kind: str, answer: Msg) -> Msg:
        if answer.kind != "refusal":
            return answer
        code = name_of(Error, answer.code)
        raise Refused(f"the {self.role} board refused {kind!r}: {code} (detail {answer.detail})", code)

    def _refuse_if_restarted(self) -> None:
        if self._restarted is not None and not self.expects_restart:
            self._restarted = None
            raise Restarted(f"the {self.role} board restarted: {self.cause}", self.cause)

    def clear_restart(self) -> None:
        """Go on after a restart that has been dealt with."""
        self._restarted = None

    def quiet(self) -> None:
        """End what an earlier stage may have left running: outputs, a loop or a test that holds the transceiver."""
        for request in ("stop", "loop_stop", "link_stop"):
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
            if event.kind == "boot":
                self._note_boot(event, self._heard - heard)
            kept = self._kept[event.kind]
            if len(kept) == MAX_EVENTS:
                self.exchange.counts.overflowed += 1
            kept.append(event)

    def _note_boot(self, event: Msg, silence_s: float) -> None:
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

    def events(self, kind: str) -> list[Msg]:
        """Events of a kind that have come since the last call."""
        self.poll()
        out = list(self._kept[kind])
        self._kept[kind].clear()
        return out

    def wait_event(self, kind: str, timeout: float, meanwhile: Callable[[], object] | None = None) -> Msg:
        """The next event of a kind. Raises NoAnswer when none has come in time.

        meanwhile: called whenever something has come, and a few times a second; it may look at kept events, not wait.
        """
        deadline = self.clock.now() + timeout
        while True:
            self.poll()
            if self._kept[kind]:
                return self._kept[kind].popleft()
            self._refuse_if_restarted()
            until = deadline
            if meanwhile is not None:
                meanwhile()
                until = min(deadline, self.clock.now() + _LOOK_S)
            if not self.clock.wait_input(until) and self.clock.now() >= deadline:
                self.poll()
                if not self._kept[kind]:
                    raise NoAnswer(f"the {self.role} board sent no {kind!r} within {timeout:g} s")

    def wait_done(self, kind: str, timeout: float, meanwhile: Callable[[], object] | None = None) -> int:
        """Wait for the end of a long request; returns its detail. Ends of other requests are dropped.

        meanwhile: as for `wait_event`.

        Raises Refused when it ended with an error.
        """
        number, deadline = BY_NAME[kind].number, self.clock.now() + timeout
        done = self.wait_event("done", timeout, meanwhile)
        while done.what != number:
            left = deadline - self.clock.now()
            if left <= 0:
                raise NoAnswer(f"the {self.role} board did not end {kind!r} within {timeout:g} s")
            done = self.wait_event("done", left, meanwhile)
        if done.status:
            code = name_of(Error, done.status)
            raise Refused(f"the {self.role} board gave up {kind!r}: {code} (detail {done.detail})", code)
        return int(done.detail)

    def is_done(self, kind: str) -> bool:
        """Whether the end of a long request has come; ends are forgotten by the look."""
        return any(done.what == BY_NAME[kind].number for done in self.events("done"))

    def forget_events(self) -> None:
        """Drop all kept events, before a stage begins."""
        self.poll()
        self._kept.clear()

    # ------------------------------------------------------------------ settings, restart

    def read_setting(self, name: str) -> int | str:
        """A stored setting's value. Raises KeyError for a name that is not in the catalogue."""
        setting = SETTING_BY_NAME[name]
        raw = self._stored(setting.key, _width(setting), name)
        if setting.type == "text16":
            return raw.split(b"\0", 1)[0].decode("utf-8", "replace")
        number = int.from_bytes(raw, "little")
        if not setting.min <= number <= setting.max:
            raise BoardError(f"the {self.role} board says that its setting {name} is {number}, which it cannot be")
        return number

    def _stored(self, key: int, width: int, what: str) -> bytes:
        answer = self.ask("setting_read", key=key)
        if answer.key != key or len(answer.data) != width:
            raise BoardError(f"the {self.role} board answered for its setting {what} with {len(answer.data)} bytes "
                             f"of setting {answer.key}, expected {width} of {key}")  # fmt: skip
        return answer.data

    def write_setting(self, name: str, value: int | str) -> None:
        """Set a setting in RAM; `save_settings` keeps it."""
        setting = SETTING_BY_NAME[name]
        self.ask("setting_write", key=setting.key, data=setting_bytes(setting, value))

    def read_pin(self, function: Function) -> int:
        """The pin code the board has for a function; 0xFF is none."""
        return self._stored(PIN_KEYS + function, 1, f"pin of {name_of(Function, function)}")[0]

    def write_pin(self, function: Function, pin: int) -> None:
        self.ask("setting_write", key=PIN_KEYS + function, data=bytes([pin]))

    def write_pulse_kind(self, channel: int, kind: PulseKind) -> None:
        """channel counts from 1."""
        self.ask("setting_write", key=PULSE_KIND_KEYS + channel - 1, data=bytes([kind]))

    def read_pulse_kind(self, channel: int) -> int:
        return self._stored(PULSE_KIND_KEYS + channel - 1, 1, f"kind of pulse output {channel}")[0]

    def save_settings(self) -> None:
        """To EEPROM, where a byte takes up to 3.6 ms."""
        self.ask("settings_save", timeout=2.0)

    def restart(self) -> Msg:
        """Have the board restart itself, by its watchdog; returns its boot message."""
        try:
            return self._restarting(lambda: self.ask("restart"))
        except NoAnswer as e:
            raise NoAnswer(
                f"{e}; an old boot loader that does not end the watchdog never comes back from such a restart: "
                f"switch its supply off and on, and give the board a newer boot loader"
            ) from e

    def reset_by_line(self) -> Msg:
        """Restart the board through its port's reset line; returns its boot message."""
        return self._restarting(self._pull)

    def _pull(self) -> None:
        self._pulled = self.clock.now()
        self.port.reset()

    def _restarting(self, how: Callable[[], object]) -> Msg:
        self.events("boot")
        self.expects_restart = True
        try:
            how()
            return self.wait_event("boot", BOOT_S)
        finally:
            self.expects_restart = False
            self._restarted = self._pulled = None


def _width(setting: Setting) -> int:
    """Bytes that a setting takes."""
    return {"u8": 1, "u16": 2, "u32": 4, "text16": 16}[setting.type]


def setting_bytes(setting: Setting, value: int | str) -> bytes:
    """A setting's value as it goes over the wire. Raises ValueError when it does not fit."""
    if setting.type == "text16":
        raw = str(value).encode()
        if len(raw) > 16:
            raise ValueError(f"setting {setting.name}: {value!r} is longer than 16 bytes")
        return raw.ljust(16, b"\0")
    number = int(value)
    if not setting.min <= number <= setting.max:
        raise ValueError(f"setting {setting.name}: {number} is not between {setting.min} and {setting.max}")
    return number.to_bytes(_width(setting), "little")
