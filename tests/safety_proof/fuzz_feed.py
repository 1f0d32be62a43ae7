"""Bytes that must never arm, by the hundred thousand, fed to the firmware; every pulse and every word of it watched."""

from __future__ import annotations

import random
import struct
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from proof_rig import LABEL, Pulses, mangled

from benchctl import benches
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.base import A, Request
from benchctl.wire.catalogue import MESSAGES, Direction, GuardState
from benchctl.wire.fields import struct_code
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, Msg, decode

BENCH = 'name = "alone"\npair = "mudlark"\nonly = ["craft"]\n[board.craft]\noutputs_confirmed = true\n'
#: bytes a second of the line at its usual speed
LINE = 50_000
CHUNK = 2_000
#: the widest that may be set as idle; the pin's kind is left alone by all generators, so above it is above idle
IDLE_MOST_US = 1200
#: from so many bytes to the next reset, so that random settings do not pile up
LIFE = 50_000
_REQUESTS = [m for m in MESSAGES if m.direction is Direction.REQUEST]
_BY_NAME = {m.name: m for m in _REQUESTS}


@dataclass(slots=True)
class Figures:
    """What one generator came to."""

    generator: str
    bytes_fed: int = 0
    frames: int = 0
    refused: int = 0
    challenges: int = 0
    pulses: int = 0
    widest_us: float = 0.0
    resets: int = 0
    bench_s: float = 0.0
    highest_state: int = 0


class Feeder:
    """A craft alone on the avr bench. Raises AssertionError at the first sign of being armed."""

    def __init__(self, kind: str = "avr", seed: int = 1, images: dict[Role, str] | None = None) -> None:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "alone.toml"
            path.write_text(BENCH)
            self.bench: Any = benches.open_bench(str(path), kind=kind, seed=seed, images=images)
        self.craft = self.bench.boards[Role.CRAFT]
        self.pulses = Pulses(self.bench.world.boards[Role.CRAFT].outputs["pulse2"])
        self.nonce = 0
        self.state = 0
        self.answers: list[Msg] = []
        self._deframer = Deframer()
        self.bench.wait(0.2)
        self._eeprom = self.bench.chips[Role.CRAFT].eeprom if kind == "avr" else b""

    def put(self, data: bytes) -> None:
        """On the line, at its speed."""
        self.craft.port.write(data)
        self.bench.wait(len(data) / LINE + 0.002)
        self.listen()

    def listen(self) -> list[Msg]:
        out = []
        for body in self._deframer.feed(self.craft.port.read_nowait()):
            message = decode(body)
            if isinstance(message, Malformed):
                continue
            out.append(message)
            if isinstance(message, msg.ArmChallengeAnswer):
                self.nonce = message.nonce
            state = message.fields.get("state", 0) if not isinstance(message, msg.Boot) else 0
            self.state = max(self.state, state, message.fields.get("guard", 0))
        self.answers = out
        return out

    def restart(self) -> None:
        """A reset, with the EEPROM as it was."""
        if self._eeprom:
            self.bench.chips[Role.CRAFT].write_eeprom(self._eeprom)
        self.craft.port.reset()
        self.bench.wait(0.15)
        self.craft.port.read_nowait()
        self._deframer = Deframer()

    def ask(self, asked: Request[A]) -> A | None:
        self.put(request(asked, 7))
        return next((m for m in self.answers if isinstance(m, asked.ANSWER)), None)

    def close(self) -> None:
        self.bench.close()


def request(asked: Request[Any], serial: int) -> bytes:
    return frame(asked.encode(serial))


# ---------------------------------------------------------------------- generators: what to put next


def pure_random(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    while True:
        yield chance.randbytes(CHUNK)


def framed_random(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    """Right frames, right CRC, right lengths more often than not; any request, most often those of the guard."""
    guard = [_BY_NAME[n] for n in ("arm_challenge", "arm", "throttle", "setting_write", "guard_read")]
    while True:
        out = b""
        while len(out) < CHUNK:
            message = chance.choice(guard if chance.random() < 0.6 else _REQUESTS)
            size = struct.calcsize(struct_code(message.fields))
            fields = chance.randbytes(size if chance.random() < 0.9 else chance.randrange(40))
            if message.name in ("arm_challenge", "throttle", "arm", "load") and fields and chance.random() < 0.7:
                fields = bytes([2]) + bytes([chance.randrange(2)]) + fields[2:]
            if message.tail:
                fields += chance.randbytes(chance.choice((1, 2, 2, 5)))
            if message.name in ("setting_write", "restart", "settings_save") and not _harmless(message.name, fields):
                continue
            out += frame(bytes([message.number]) + chance.randbytes(2) + fields)
        yield out


def _harmless(name: str, fields: bytes) -> bool:
    """Role, pins and kinds stay: else the board could not be armed for that reason alone."""
    return name == "settings_save" or (name == "setting_write" and bool(fields) and 1 < fields[0] < 64)


def wrong_answers(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    """A real challenge each time, then everything but the right answer, and throttle after it."""
    while True:
        yield request(msg.ArmChallenge(channel=2, radio=chance.randrange(2)), chance.randrange(1, 65536))
        nonce, out = feeder.nonce, b""
        while len(out) < 300:
            out += chance.choice(_WRONG)(nonce, chance)
            out += request(msg.Throttle(channel=2, permille=100, number=chance.randrange(65536)), chance.randrange(1, 65536))
            if chance.random() < 0.1:
                out += request(msg.ArmChallenge(channel=2, radio=0), chance.randrange(1, 65536))  # another nonce
                break
        yield out


def _arm(nonce: int, label: str = LABEL, channel: int = 2) -> bytes:
    return request(msg.Arm(channel=channel, nonce=nonce & 0xFFFFFFFF, label=label, cap_permille=300), 9)


_WRONG: list[Callable[[int, random.Random], bytes]] = [
    lambda nonce, chance: _arm(nonce ^ 1 << chance.randrange(32)),
    lambda nonce, chance: _arm(chance.getrandbits(32)),
    lambda nonce, chance: _arm(nonce + chance.choice((-1, 1))),
    lambda nonce, chance: _arm(0),
    lambda nonce, chance: _arm(nonce, chance.choice(("", "mudlark-craft-02", "mudlark-craft-0", "MUDLARK-CRAFT-01"))),
    lambda nonce, chance: _arm(nonce, channel=chance.choice((0, 1, 3, 255))),
    lambda nonce, chance: mangled(_arm(nonce), chance),
    lambda nonce, chance: _arm(nonce)[: chance.randrange(1, 25)] + b"\0",
]


def replayed(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    """A whole session that armed and drove once, byte for byte, again and again after a reset."""
    session = record(feeder)
    while True:
        cut = chance.randrange(len(session))
        yield from pieces(session if chance.random() < 0.5 else session[cut:] + session[:cut])


def record(feeder: Feeder) -> bytes:
    """Arm and drive for real; the bytes that did it."""
    said = bytearray()

    def say(wire: bytes) -> None:
        said.extend(wire)
        feeder.put(wire)

    say(request(msg.ArmChallenge(channel=2, radio=0), 1))
    say(_arm(feeder.nonce))
    for n in range(1, 40):
        say(request(msg.Throttle(channel=2, permille=100, number=n), n))
        feeder.bench.wait(0.03)
    say(request(msg.Stop(silent=0), 50))
    assert feeder.state == GuardState.LIVE, "the session that is to be replayed did not arm"
    feeder.restart()
    feeder.pulses.all.clear()
    feeder.state = 0
    return bytes(said)


def pieces(data: bytes) -> Iterator[bytes]:
    for at in range(0, len(data), CHUNK):
        yield data[at : at + CHUNK]


GENERATORS: dict[str, Callable[[Feeder, random.Random], Iterator[bytes]]] = {
    "random bytes": pure_random,
    "framed random bodies": framed_random,
    "wrong answers": wrong_answers,
    "replayed session": replayed,
}


def feed(
    generator: str, total: int, seed: int = 1, kind: str = "avr", images: dict[Role, str] | None = None
) -> Figures:
    """Feed so many bytes; raises AssertionError at the first pulse above idle or the first word of being armed."""
    feeder, figures, life = Feeder(kind, seed, images), Figures(generator), 0
    chance = random.Random(f"{seed} {generator}")
    try:
        for data in GENERATORS[generator](feeder, chance):
            feeder.put(data)
            figures.bytes_fed += len(data)
            life += len(data)
            _look(feeder, figures)
            if life >= LIFE:
                life = 0
                _health(feeder)
                feeder.restart()
                figures.resets += 1
            if figures.bytes_fed >= total:
                break
        _health(feeder)
        figures.bench_s = feeder.bench.now()
    finally:
        feeder.close()
    return figures


def _look(feeder: Feeder, figures: Figures) -> None:
    for message in feeder.answers:
        figures.frames += 1
        figures.refused += isinstance(message, msg.Refusal)
        figures.challenges += isinstance(message, msg.ArmChallengeAnswer)
    figures.highest_state = max(figures.highest_state, feeder.state)
    widths = [p.width_us for p in feeder.pulses.all]
    feeder.pulses.all.clear()
    figures.pulses += len(widths)
    figures.widest_us = max([figures.widest_us, *widths])
    assert feeder.state < GuardState.ARMED, f"{figures.generator}: armed after {figures.bytes_fed} bytes"
    assert figures.widest_us <= IDLE_MOST_US + 1, f"{figures.generator}: a pulse of {figures.widest_us:.0f} us"


def _health(feeder: Feeder) -> None:
    """The board is still there and disarmed: else feeding it proves nothing."""
    feeder.put(b"\0")
    feeder.bench.wait(0.2)
    feeder.listen()
    for _ in range(5):
        guard = feeder.ask(msg.GuardRead())
        if guard is not None:
            assert guard.state < GuardState.ARMED
            return
        feeder.bench.wait(0.3)
    raise AssertionError("the board no longer answers")
