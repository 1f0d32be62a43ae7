"""A scripted board behind a real port contract in virtual time: two real ends of the wire, no mocks."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from benchctl.errors import PortLost, Stopped
from benchctl.events import Event, Prompt
from benchctl.operators import NoOperator
from benchctl.session.board import Board
from benchctl.session.declared import Declared
from benchctl.terms import Role
from benchctl.wire import messages
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Msg

IDENTIFY: dict[str, Any] = {
    "protocol": 1,
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
}
BOOT: dict[str, Any] = {
    "protocol": 1,
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

    urgent = write

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
        self.push(event("boot", 0, **BOOT))

    def close(self) -> None:
        self.closed = True


class FakeBench:
    """Virtual time over fake ports; fulfils the bench contract."""

    name, kind, simulated, seed, sha256 = "fake", "sim", True, 1, ""

    def __init__(self, scripts: dict[Role, Script], declared: Declared | None = None) -> None:
        self.time = 0.0
        self.images: Mapping[str, Mapping[str, str]] = {}
        self.halted = False
        self.chance = random.Random(1)
        self.operator: Any = NoOperator()
        self.ports = {role: FakePort(self, script) for role, script in scripts.items()}
        self.boards = {role: Board(role, port, self, declared) for role, port in self.ports.items()}
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

    def stop_all(self) -> None:
        self.stops += 1

    def close(self) -> None:
        for port in self.ports.values():
            port.close()


def answer(asked: Msg, **fields: Any) -> bytes:
    """The frame of the answer to a request."""
    data = fields.pop("data", b"")
    return frame(messages.encode(f"{asked.kind}_answer", asked.number, fields, data=data))


def refusal(asked: Msg, code: int) -> bytes:
    return frame(messages.encode("refusal", asked.number, {"to": 0, "code": code, "detail": 0}))


def event(kind: str, number: int, rows: Iterable[tuple[int, ...]] = (), **fields: Any) -> bytes:
    return frame(messages.encode(kind, number, fields, rows))


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
