"""Speed of the public decoder, as a ratio to its bare parts on the same bytes: `bench_framing.py [--quick] [--json]`.

Fed in the pieces that reads of a busy port bring, against split at the delimiter, COBS in C, `crc_hqx` and `struct`,
all in one loop that makes nothing but tuples. frames: the traffic that a link is full of, seven packet records in each,
their rows as columns of numbers, as the link stages read them. rows: the same frames, each row as a tuple with names.
short: frames of one flat message of eight bytes, where the decoder's object with names weighs most. bodies: the short
frames through `Deframer` alone, no messages made of them.
"""

from __future__ import annotations

import json
import random
import statistics
import struct
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path

from cobs import cobs

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl.wire import msg
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import decode_all, encode

QUICK = "--quick" in sys.argv
FRAMES, REPEATS = (20_000, 3) if QUICK else (100_000, 7)
CHUNK = 4096  # what one read of a busy port brings
#: type, number, and the fields of `guard_changed`
FLAT = struct.Struct("<BHBBIH")
#: type, number and test of `link_sent`, and its records
HEAD, ROW, ROWS = struct.Struct("<BHB"), struct.Struct("<HIHIB"), 7


def short_frames() -> bytes:
    chance = random.Random(1)
    out = []
    for number in range(FRAMES):
        fields = {"state": 1, "reason": 2, "at": chance.getrandbits(32), "width_us": number & 0xFFFF}
        out.append(frame(encode(msg.GuardChanged(**fields), number & 0xFFFF)))
    return b"".join(out)


def full_frames() -> bytes:
    chance = random.Random(2)
    out = []
    for number in range(FRAMES):
        at = chance.getrandbits(31)
        rows = [(number * ROWS + i & 0xFFFF, at + 1000 * i, 520, at + 1000 * i + 600, 16) for i in range(ROWS)]
        out.append(frame(encode(msg.LinkSent(test=1, rows=rows), number & 0xFFFF)))
    return b"".join(out)


Unpack = Callable[[bytes], object]
FULL: Unpack = lambda body: (HEAD.unpack_from(body), tuple(ROW.iter_unpack(body[4:-2])))  # noqa: E731
UNPACK: dict[str, Unpack] = {
    "frames": FULL,
    "rows": FULL,
    "short": FLAT.unpack_from,
    "bodies": lambda body: body,
}


def bare(data: bytes, case: str) -> int:
    """The ceiling: what the format itself costs in this language."""
    found, rest, unpack, plain = 0, b"", UNPACK[case], case == "bodies"
    for at in range(0, len(data), CHUNK):
        parts = (rest + data[at : at + CHUNK]).split(b"\0")
        rest = parts.pop()
        out: list[object] = []
        for part in parts:
            if not part:
                continue
            try:
                body = cobs.decode(part)
            except cobs.DecodeError:
                continue
            if not crc_hqx(body, 0xFFFF):
                out.append(body if plain else unpack(body))
        found += len(out)
    return found


def ours(data: bytes, case: str) -> int:
    deframer, out = Deframer(), 0
    for at in range(0, len(data), CHUNK):
        bodies = deframer.feed(data[at : at + CHUNK])
        if case == "bodies":
            out += len(bodies)
            continue
        messages = decode_all(bodies)
        out += len(messages)
        if case == "frames":
            msg.LinkSent.columns(messages)  # type: ignore[arg-type]
        elif case == "rows":
            for message in messages:
                message.rows  # type: ignore[union-attr]  # noqa: B018
    return out


def rate(work: Callable[[bytes, str], int], data: bytes, case: str) -> float:
    began = time.process_time()
    found = work(data, case)
    spent = time.process_time() - began
    assert found == FRAMES, f"{found} of {FRAMES} frames came out"
    return found / spent


def main() -> None:
    short, full = short_frames(), full_frames()
    rows: dict[str, dict[str, float]] = {}
    for name, data in (("frames", full), ("rows", full), ("short", short), ("bodies", short)):
        pairs = [(rate(bare, data, name), rate(ours, data, name)) for _ in range(REPEATS)]
        ratios = [got / ceiling for ceiling, got in pairs]
        rows[name] = {
            "ceiling_per_s": round(statistics.median(c for c, _ in pairs)),
            "per_s": round(statistics.median(g for _, g in pairs)),
            "ratio": round(statistics.median(ratios), 3),
            "low": round(min(ratios), 3),
            "high": round(max(ratios), 3),
        }
    if "--json" in sys.argv:
        print(json.dumps(rows))
        return
    for name, r in rows.items():
        print(f"{name}: {r['per_s']}/s, {r['ratio']} of the ceiling ({r['low']} to {r['high']}); goal 0.8 of frames")


if __name__ == "__main__":
    main()
