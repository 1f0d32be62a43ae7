"""Mutated frames by the million, and a plain second opinion on what may come out of them.

The second opinion shares nothing with the code under test: COBS and the CRC are written out here from their
definitions (Cheshire and Baker 1999; CRC-16/IBM-3740, check value 0x29B1 of "123456789").
"""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from hostile import anything, body_of, zeros

from benchctl.session.exchange import MAX_EVENTS, Exchange
from benchctl.wire.catalogue import BY_NAME, MESSAGES, Direction
from benchctl.wire.framing import MAX_FRAME, Deframer, frame
from benchctl.wire.messages import Malformed, class_of, decode, encode

Bytes = npt.NDArray[np.uint8]


def _table() -> list[int]:
    out = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        out.append(crc & 0xFFFF)
    return out


_TABLE = _table()


def plain_crc(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ _TABLE[(crc >> 8) ^ byte]
    return crc


def plain_unstuff(part: bytes) -> bytes | None:
    """COBS undone, None where it is none."""
    out, at = bytearray(), 0
    while at < len(part):
        code = part[at]
        if code == 0 or at + code > len(part):
            return None
        out += part[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(part):
            out.append(0)
    return bytes(out)


def plain_accepts(part: bytes) -> bytes | None:
    """The body in what stands between two delimiters, None when it has to be refused."""
    if len(part) > MAX_FRAME:
        return None
    raw = plain_unstuff(part)
    if raw is None or len(raw) < 5 or plain_crc(raw[:-2]) != (raw[-2] << 8 | raw[-1]):
        return None
    return raw[:-2]


class Watched(Deframer):
    """A deframer whose output is kept for the second opinion."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[bytes] = []

    def feed(self, data: bytes) -> list[bytes]:
        out = super().feed(data)
        self.seen += out
        return out


def pool(chance: random.Random, size: int) -> list[bytes]:
    """Whole frames: messages of every kind with any values, and bodies of random bytes; the CRC of each is right."""
    out = []
    for _ in range(size):
        if chance.random() < 0.7:
            body = body_of(chance.choice(MESSAGES), chance.randrange(0x10000), anything, chance)
        else:
            body = chance.randbytes(chance.randint(3, 40))
        out.append(frame(body))
    return out


def mutated(wire: Bytes, rng: np.random.Generator, frames: int) -> Bytes:
    """Flipped bits, overwritten, dropped and inserted bytes, all over the stream: about one damage a frame."""
    wire = wire.copy()
    share = rng.uniform(0.05, 0.6, 4) * frames
    flips, writes, drops, inserts = (rng.integers(0, len(wire), int(n)) for n in share)
    wire[flips] ^= (1 << rng.integers(0, 8, len(flips))).astype(np.uint8)
    wire[writes] = rng.integers(0, 256, len(writes), dtype=np.uint8)
    wire = np.delete(wire, drops)
    # the bytes that matter most to the coding come often
    odd = rng.choice(np.array([0, 1, 2, 0xFF, 0xFE], np.uint8), len(inserts))
    return np.insert(wire, inserts % len(wire), odd)


@dataclass(slots=True)
class Tally:
    """What went in, and what became of it."""

    frames: int = 0
    bytes_in: int = 0
    accepted: int = 0
    damaged: int = 0
    malformed: int = 0
    answered: int = 0
    most_events: int = 0


def campaign(total: int, seed: int, batch: int = 2000) -> Tally:
    """Feed so many mutated frames through deframer, decoder and exchange; raises AssertionError at the first wrong one.

    The second opinion takes the same stream apart and must come to exactly the same bodies, each CRC right.
    """
    rng, chance, tally = np.random.default_rng(seed), random.Random(seed), Tally()
    exchange, watched = Exchange(), Watched()
    exchange._deframer = watched
    frames = pool(chance, 4000)
    requests = [m for m in MESSAGES if m.direction is Direction.REQUEST]
    carry = b""
    while tally.frames < total:
        if tally.frames % (100 * batch) == 0:
            frames = pool(chance, 4000)
        asked = chance.choice(requests)
        number = _ask(exchange, asked.name, chance)
        likely = [_answer(asked.name, number, chance) for _ in range(3)]
        picked = [frames[i] for i in rng.integers(0, len(frames), batch - len(likely))] + likely
        chance.shuffle(picked)
        wire = mutated(np.frombuffer(b"".join(picked), np.uint8), rng, batch).tobytes()
        watched.seen = []
        _feed_in_chunks(exchange, wire, chance)
        answer = exchange.take_answer()
        if answer is not None:
            tally.answered += 1
            assert answer.sequence == number
            assert answer.NAME in (f"{asked.name}_answer", "refusal")
        exchange.abandon()
        parts = (carry + wire).split(b"\0")
        carry = parts.pop()
        expected = [b for b in map(plain_accepts, parts) if b is not None]
        assert watched.seen == expected, f"seed {seed}, frame {tally.frames}"
        for body in expected[::50]:
            _must_decode(body)
        tally.frames += batch
        tally.bytes_in += len(wire)
        tally.accepted += len(watched.seen)
        tally.most_events = max(tally.most_events, len(exchange._events))
        assert len(exchange._events) <= MAX_EVENTS
        assert len(watched._rest) <= MAX_FRAME
        if chance.random() < 0.1:
            exchange.take_events()
    tally.damaged, tally.malformed = watched.counts.damaged, exchange.counts.malformed
    return tally


def _ask(exchange: Exchange, kind: str, chance: random.Random) -> int:
    """Open a request, its numbers at their least; returns its number."""
    fields = {f.name: zeros(f.type, chance) for f in BY_NAME[kind].fields}
    exchange.ask(class_of(kind)(**fields), 0.0, 1.0, 0)
    assert exchange._open is not None
    return exchange._open.number


def _answer(kind: str, number: int, chance: random.Random) -> bytes:
    return frame(body_of(BY_NAME[f"{kind}_answer"], number, anything, chance))


def _feed_in_chunks(exchange: Exchange, wire: bytes, chance: random.Random) -> None:
    at = 0
    while at < len(wire):
        size = chance.choice((1, 7, 64, 500, 4096, 20_000))
        exchange.feed(wire[at : at + size])
        at += size


def _must_decode(body: bytes) -> None:
    """Into a message that gives the same body again, or into damage with a reason."""
    message = decode(body)
    if isinstance(message, Malformed):
        assert message.reason
        return
    assert message.sequence == body[1] | body[2] << 8
    if all(f.type != "text16" for f in BY_NAME[message.NAME].fields):
        assert encode(message) == body
