"""Boards that misbehave, scripted behind the real port contract, and one stage run against a pair of them.

A temperament turns a request into what comes back. Everything is seeded; bench time is virtual and guarded: a stage
that would go on for ever is an error here.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

from helpers import BOOT, IDENTIFY, MUDLARK_PINS, Collected, FakeBench, FakePort, refusal

from benchctl.errors import BenchctlError
from benchctl.events import Prompt, PromptKind, StageEnded
from benchctl.procedure.file import Procedure, parse
from benchctl.procedure.runner import Runner
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.stages.kinds import KINDS
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import (
    BY_NAME,
    MESSAGES,
    NO_PIN,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTINGS,
    Direction,
    Function,
    GuardState,
    Message,
    PulseKind,
)
from benchctl.wire.fields import SCALARS, packed
from benchctl.wire.framing import MAX_BODY, frame
from benchctl.wire.messages import Msg, class_of, encode

LABELS = {Role.HAND: "mudlark-hand-01", Role.CRAFT: "mudlark-craft-01"}
EVENTS = [m for m in MESSAGES if m.direction is Direction.EVENT]
ANSWERS = [m for m in MESSAGES if m.direction is Direction.ANSWER]
_SIZES = {"B": 1, "H": 2, "I": 4, "h": 2}
#: (least, most) of the whole-number types
_RANGES = {"u8": (0, 0xFF), "u16": (0, 0xFFFF), "u32": (0, 0xFFFFFFFF), "i16": (-0x8000, 0x7FFF)}

Value = Callable[[str, random.Random], Any]


def zeros(type_: str, chance: random.Random) -> Any:
    return {"text16": "", "bytes3": bytes(3), "bytes4": bytes(4)}.get(type_, 0)


def ones(type_: str, chance: random.Random) -> Any:
    return {"text16": "ÿ" * 8, "bytes3": b"\xff" * 3, "bytes4": b"\xff" * 4}.get(type_, _RANGES.get(type_, (0, 0))[1])


def anything(type_: str, chance: random.Random) -> Any:
    """Often the ends of the range, else anywhere in it."""
    if type_ == "text16":
        return chance.choice(("", "mudlark", "<script>", "\N{SNOWMAN}" * 5))
    if type_ in ("bytes3", "bytes4"):
        return chance.randbytes(int(type_[-1]))
    low, high = _RANGES[type_]
    return chance.choice((low, high, 0, 1, chance.randint(low, high), chance.randint(low, high)))


def body_of(message: Message, number: int, value: Value, chance: random.Random) -> bytes:
    """A body of any message with values of some kind, and a tail of any length that fits."""
    fields = {f.name: value(f.type, chance) for f in message.fields}
    tail: dict[str, Any] = {}
    room = MAX_BODY - 3 - sum(int(SCALARS[f.type][0][:-1] or 1) if f.type in ("text16", "bytes3", "bytes4")
                              else _SIZES[SCALARS[f.type][0]] for f in message.fields)  # fmt: skip
    if len(message.tail) == 1 and message.tail[0].name == "byte":
        tail["data"] = bytes(value("u8", chance) for _ in range(chance.randint(0, room)))
    elif message.tail:
        size = sum(_SIZES[SCALARS[f.type][0]] for f in message.tail)
        tail["rows"] = [tuple(value(f.type, chance) for f in message.tail) for _ in range(chance.randint(0, room // size))]
    return class_of(message.name)(**fields, **tail).encode(number)


class Temper:
    """How a board answers. `role` and `chance` are set before it is used."""

    role: Role
    chance: random.Random

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        yield from ()

    def answer(self, asked: Msg, value: Value) -> bytes:
        return frame(body_of(BY_NAME[asked.ANSWER.NAME], asked.sequence, value, self.chance))

    def plausible(self, asked: Msg) -> bytes:
        """What a board would say to the questions that every stage begins with; zeros to all others."""
        if isinstance(asked, msg.Identify):
            role = (Role.HAND, Role.CRAFT).index(self.role)
            fields = {**IDENTIFY, "role": role, "label": LABELS[self.role]}
            return frame(encode(msg.IdentifyAnswer(**fields), asked.sequence))
        return self.answer(asked, zeros)


class Silent(Temper):
    """Nothing at all."""


class Mute(Temper):
    """Says who it is, then nothing."""

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        if isinstance(asked, msg.Identify):
            yield self.plausible(asked)


class Refuser(Temper):
    """Every request is refused, with every code in turn and some that there are not."""

    code = 0

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        if isinstance(asked, msg.Identify):
            yield self.plausible(asked)
            return
        self.code = self.code % 255 + 1
        yield refusal(asked, self.code % 12)


class TotalRefuser(Temper):
    """Refuses even to say who it is."""

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        yield refusal(asked, 1)


class Liar(Temper):
    """Right frames of the right kind and number with values of some kind; long requests end at once."""

    def __init__(self, value: Value, honest_name: bool = True) -> None:
        self.value, self.honest_name = value, honest_name

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        if self.honest_name and isinstance(asked, msg.Identify):
            yield self.plausible(asked)
        else:
            yield self.answer(asked, self.value)
        yield self.event(msg.Done(what=asked.TYPE, status=0, detail=0))

    def event(self, event: Msg) -> bytes:
        return frame(event.encode(self.chance.randrange(0x10000)))


class Armer(Liar):
    """Has the settings as shipped, confirmed outputs and a guard that arms; lies about all that it measures."""

    def __init__(self, value: Value) -> None:
        super().__init__(value)
        self.state, self.cap, self.settings = GuardState.IDLE, 0, dict[int, bytes]()

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        told = self._told(asked)
        if told is None:
            yield from super().__call__(asked)
        else:
            yield frame(told.encode(asked.sequence))

    def _told(self, asked: Msg) -> Msg | None:
        if isinstance(asked, msg.SettingRead):
            return msg.SettingReadAnswer(key=asked.key, data=self.settings.get(asked.key, _shipped(asked.key)))
        if isinstance(asked, msg.SettingWrite):
            self.settings[asked.key] = asked.data
            return msg.SettingWriteAnswer()
        if isinstance(asked, msg.ArmChallenge):
            return msg.ArmChallengeAnswer(nonce=self.chance.randrange(1, 1 << 32), state=GuardState.CHALLENGED)
        if isinstance(asked, msg.Arm):
            self.state, self.cap = (GuardState.ARMED if asked.channel else GuardState.WIRING), asked.cap_permille
            return msg.ArmAnswer(state=self.state, cap_permille=self.cap)
        if isinstance(asked, msg.Throttle):
            return msg.ThrottleAnswer(state=self.state, reason=0, width_us=self.value("u16", self.chance))
        if isinstance(asked, msg.Stop):
            self.state = GuardState.IDLE
            return msg.StopAnswer(state=self.state)
        if isinstance(asked, msg.GuardRead):
            return msg.GuardReadAnswer(
                state=self.state, reason=0, width_us=self.value("u16", self.chance), cap_permille=self.cap,
                silence_ms=250, age_ms=0, radio_age_ms=0, confirmed=0b11, silent=0,
            )  # fmt: skip
        return None


def _shipped(key: int) -> bytes:
    """A setting as the Mudlark's boards have it."""
    if key >= PULSE_KIND_KEYS:
        return bytes([{0: PulseKind.SERVO, 1: PulseKind.MOTOR}.get(key - PULSE_KIND_KEYS, PulseKind.NONE)])
    if key >= PIN_KEYS:
        return bytes([MUDLARK_PINS.get(Function(key - PIN_KEYS), NO_PIN)])
    setting = next(s for s in SETTINGS if s.key == key)
    return packed(setting.type, setting.default)


class Flooder(Liar):
    """Answers, and sends a hundred events of any kind and content with every answer."""

    def __init__(self, count: int = 40) -> None:
        super().__init__(anything)
        self.count = count

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        yield from super().__call__(asked)
        for _ in range(self.count):
            kind = self.chance.choice(EVENTS)
            if kind.name != "boot":
                yield frame(body_of(kind, self.chance.randrange(0x10000), anything, self.chance))


class Restarter(Liar):
    """Restarts at every fifth request."""

    count = 0

    def __init__(self) -> None:
        super().__init__(anything)

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        self.count += 1
        if self.count % 5 == 0:
            yield frame(encode(msg.Boot(**{**BOOT, "label": LABELS[self.role]}), 0))
        else:
            yield from super().__call__(asked)


class Confused(Liar):
    """Wrong numbers, wrong kinds, duplicates and answers never asked for, around the right one."""

    def __init__(self) -> None:
        super().__init__(zeros)

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        right = self.plausible(asked)
        yield frame(body_of(BY_NAME[asked.ANSWER.NAME], asked.sequence + 9, anything, self.chance))
        yield frame(body_of(self.chance.choice(ANSWERS), asked.sequence - 1, anything, self.chance))
        yield frame(bytes([self.chance.randrange(256)]) + self.chance.randbytes(self.chance.randrange(2, 90)))
        yield self.chance.randbytes(30) + b"\0"
        yield right
        yield right


class Blabber(Temper):
    """Another gadget: text lines."""

    def __call__(self, asked: Msg) -> Iterator[bytes]:
        yield b"Temperature 21.5 C\r\n" * 5


TEMPERS: dict[str, Callable[[], Temper]] = {
    "silent": Silent,
    "mute": Mute,
    "refuses": Refuser,
    "refuses all": TotalRefuser,
    "zeros": lambda: Liar(zeros),
    "ones": lambda: Liar(ones),
    "anything": lambda: Liar(anything),
    "lies about itself": lambda: Liar(anything, honest_name=False),
    "arms, zeros": lambda: Armer(zeros),
    "arms, ones": lambda: Armer(ones),
    "arms, anything": lambda: Armer(anything),
    "floods": Flooder,
    "restarts": Restarter,
    "confused": Confused,
    "another gadget": Blabber,
}


class Endless(AssertionError):
    """A stage that does not come to an end."""


class HostileBench(FakeBench):
    """A pair of boards of one temperament; delay: of every answer. deadline: bench seconds that must do.

    looks: how often time may be asked for without it passing: a loop that spins is an endless one too.
    """

    def __init__(self, temper: str, seed: int, delay: float = 0.002, deadline: float = 3600.0) -> None:
        kinds = (PulseKind.SERVO, PulseKind.MOTOR)
        wires = (("craft.led", "hand.loop_back"), ("craft.pulse1", "hand.capture"))
        wiring = OwnerWiring(
            pins=MUDLARK_PINS, pulse_kinds=kinds, settings={"self_stimulus": 1}, wires=wires, brown_out_v=2.7
        )
        tempers: dict[Role, Any] = {}
        for role in LABELS:
            tempers[role] = TEMPERS[temper]()
            tempers[role].role, tempers[role].chance = role, random.Random(f"{temper} {seed} {role}")
        super().__init__(tempers, wiring)
        for port in self.ports.values():
            port.delay = delay
        self.deadline = deadline
        self.operator = Willing(self.ports)
        self._still, self._last, self._looked = 0, -1.0, -1.0

    def _guard(self) -> None:
        self._still = self._still + 1 if self.time == self._last else 0
        self._last = self.time
        if self.time > self.deadline or self._still > 200_000:
            raise Endless(f"bench time {self.time:.1f} s, {self._still} looks without time passing")

    def wait(self, seconds: float) -> None:
        super().wait(seconds)
        self._guard()

    def wait_input(self, deadline: float) -> bool:
        """By arrivals: what lies unread on the other board's port does not count again."""
        fresh = (
            next((due for due, _ in port._due if due > self._looked), float("inf")) for port in self.ports.values()
        )
        due = min(fresh)
        self.time = max(self.time, min(due, deadline))
        self._looked = max(self._looked, min(due, self.time))
        self._guard()
        return due <= deadline


class Willing:
    """An operator who does all that is asked, as well as one can with such boards."""

    by = "simulated"

    def __init__(self, ports: dict[Role, FakePort]) -> None:
        self.ports = ports

    def show(self, prompt: Prompt) -> None:
        return

    def withdraw(self, prompt: Prompt) -> None:
        return

    def answer_nowait(self, prompt: Prompt) -> str | None:
        if prompt.kind is PromptKind.WORD:
            return prompt.text.split('"')[1]
        if prompt.kind is PromptKind.COUNT:
            led = [m for p in self.ports.values() for m in p.asked if isinstance(m, msg.Led) and m.blinks]
            return str(led[-1].blinks) if led else "1"
        if prompt.kind is PromptKind.DO:
            return None
        return prompt.choices[0] if prompt.choices else "1"


def alone(kind: str) -> Procedure:
    """A procedure of one stage that waits for no other."""
    before = "".join(f'[[stage]]\nkind = "{k}"\n' for k in KINDS[kind].needs.required)
    text = f'name = "alone"\n{before}[[stage]]\nkind = "{kind}"\n'
    if kind == "soak":
        text += "[stage.parameters]\nseconds = 30.0\n"
    whole = parse(text.encode(), "alone.toml")
    return replace(whole, steps=(replace(whole.steps[-1], after=()),))


def perform(kind: str, bench: FakeBench) -> StageEnded | str:
    """Run one stage; its end, or the sentence that ended the run."""
    heard = Collected()
    try:
        Runner(alone(kind), bench, heard).run()
    except BenchctlError as e:
        return str(e)
    ended: list[StageEnded] = heard.of(StageEnded)
    assert len(ended) == 1
    return ended[0]


def requests_of(bench: FakeBench) -> Iterable[Msg]:
    for port in bench.ports.values():
        yield from port.asked
