"""A scripted board behind a real port contract in virtual time: two real ends of the wire, no mocks."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from benchctl.errors import PortLost, Stopped
from benchctl.events import Event, Prompt
from benchctl.operators import NoOperator
from benchctl.session.board import Board
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.port import Reach
from benchctl.terms import Role
from benchctl.wire import messages, msg
from benchctl.wire.base import Request
from benchctl.wire.catalogue import PROTOCOL, Function
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Msg

IDENTIFY: dict[str, Any] = {
    "clock_ok": 1,
    "protocol": PROTOCOL,
    "firmware": 0x0102,
    "image_crc": 0x12345678,
    "role": 0,
    "label": "mudlark-hand-01",
    "clock_hz": 16_000_000,
    "boot_count": 3,
    "cause": 1,
    "mcusr": 1,
    "cause_from": 0,
    "stack_free": 700,
    "settings_ok": 1,
    "signature": b"\x1e\x95\x0f",
    "image": 0,
    "fuses": b"\xff\xff\xfd\xde",
}
BOOT: dict[str, Any] = {
    "protocol": PROTOCOL,
    "firmware": 0x0102,
    "role": 0,
    "label": "mudlark-hand-01",
    "cause": 3,
    "mcusr": 4,
    "cause_from": 0,
    "boot_count": 4,
    "ram_survived": 1,
    "uptime_ms": 1000,
    "loads": 0,
    "lowest_vcc_mv": 4100,
}

Script = Callable[[Msg], Iterable[bytes]]


class FakePort:
    """Bytes written are answered by `script` after `delay` seconds; `push` sends unasked."""

    def __init__(self, clock: FakeBench, script: Script, delay: float = 0.002) -> None:
        self.name = "fake"
        self.clock = clock
        self.script = script
        self.delay = delay
        self.lost = False
        self.closed = False
        self.written = b""
        self.asked: list[Msg] = []
        self._deframer = Deframer()
        self._due: deque[tuple[float, bytes]] = deque()

    def write(self, data: bytes) -> None:
        if self.lost:
            raise PortLost("fake: the port is gone")
        self.written += data
        for body in self._deframer.feed(data):
            message = messages.decode(body)
            assert isinstance(message, Msg)
            self.asked.append(message)
            for out in self.script(message):
                self.push(out)

    def urgent(self, data: bytes) -> bool:
        self.write(data)
        return True

    def shut(self) -> None:
        return

    def push(self, data: bytes, delay: float | None = None) -> None:
        self._due.append((self.clock.time + (self.delay if delay is None else delay), data))

    def read_nowait(self) -> bytes:
        out = b""
        while self._due and self._due[0][0] <= self.clock.time:
            out += self._due.popleft()[1]
        if not out and self.lost:
            raise PortLost("fake: the port is gone")
        return out

    def next_time(self) -> float:
        return self._due[0][0] if self._due else float("inf")

    def reset(self) -> None:
        self.push(event(msg.Boot(**BOOT), 0))

    def set_baud(self, baud: int) -> None:
        return

    def close(self) -> None:
        self.closed = True


class FakeBench:
    """Virtual time over fake ports; fulfils the bench contract."""

    name, kind, simulated, seed, sha256, notes = "fake", "sim", True, 1, "", ()
    pacer = None
    late = 0

    def __init__(self, scripts: dict[Role, Script], wiring: OwnerWiring | None = None) -> None:
        self.time = 0.0
        self.images: Mapping[str, Mapping[str, str]] = {}
        self.halted = False
        self.chance = random.Random(1)
        self.operator: Any = NoOperator()
        self.ports = {role: FakePort(self, script) for role, script in scripts.items()}
        self.boards = {role: Board(role, port, self, wiring) for role, port in self.ports.items()}
        self.stops = 0

    def now(self) -> float:
        return self.time

    def wait(self, seconds: float) -> None:
        if self.halted:
            raise Stopped("stopped")
        self.time += seconds

    def wait_input(self, deadline: float) -> bool:
        if self.halted:
            raise Stopped("stopped")
        due = min(port.next_time() for port in self.ports.values())
        self.time = max(self.time, min(due, deadline))
        return due <= deadline

    def plugged_in(self) -> Sequence[str]:
        return ()

    def reopen(self, role: Role, seconds: float = 0.0) -> bool:
        return True

    def stop_all(self) -> Reach:
        self.stops += 1
        return Reach(tuple(self.ports))

    def close(self) -> None:
        for port in self.ports.values():
            port.close()


#: of the boards of the Mudlark pair
MUDLARK_PINS: dict[Function, int] = {
    Function.LED: 0x34,  # PD4
    Function.SWITCH1: 0x33,
    Function.SWITCH2: 0x35,
    Function.JOY_X: 0x20,  # PC0
    Function.JOY_Y: 0x21,
    Function.PULSE1: 0x11,  # PB1, OC1A
    Function.PULSE2: 0x12,  # PB2, OC1B
    Function.RADIO_CE: 0x36,
    Function.RADIO_CSN: 0x37,
    Function.RADIO_IRQ: 0x32,  # PD2, INT0
    Function.SENSE_RAIL: 0x22,
    Function.CAPTURE: 0x10,  # PB0, ICP1
    Function.LOOP_BACK: 0x23,
}


def answer(asked: Request[Any], **fields: Any) -> bytes:
    """The frame of the answer to a request."""
    return frame(asked.ANSWER(**fields).encode(asked.sequence))


def refusal(asked: Msg, code: int) -> bytes:
    return frame(msg.Refusal(to=0, code=code, detail=0).encode(asked.sequence))


def event(event: Msg, number: int) -> bytes:
    return frame(event.encode(number))


class Collected:
    """An `Emit` that keeps what it was told."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def __call__(self, event: Event) -> None:
        self.events.append(event)

    def of(self, cls: type[Any]) -> list[Any]:
        return [e for e in self.events if isinstance(e, cls)]


class ScriptedOperator:
    """Answers prompts from a function of the prompt; None keeps it waiting."""

    by = "simulated"

    def __init__(self, answers: Callable[[Prompt], str | None]) -> None:
        self.answers = answers
        self.shown: list[Prompt] = []

    def show(self, prompt: Prompt) -> None:
        self.shown.append(prompt)

    def answer_nowait(self, prompt: Prompt) -> str | None:
        return self.answers(prompt)

    def withdraw(self, prompt: Prompt) -> None:
        return
