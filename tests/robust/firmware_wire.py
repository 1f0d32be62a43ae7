"""Hostile bytes into the firmware: after each batch it says who it is within a second; no EEPROM wears by accident.

The generators of bytes are those of the proof that nothing arms; here comes what real sessions say, mutated.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from fuzz_feed import CHUNK, IDLE_MOST_US, LIFE, Feeder, request
from fuzz_feed import GENERATORS as NEVER_ARM

from benchctl import benches, shipped
from benchctl.procedure.file import load
from benchctl.procedure.runner import Runner
from benchctl.terms import Role
from benchctl.wire import messages, msg
from benchctl.wire.framing import Deframer
from benchctl.wire.messages import Malformed

#: bench seconds within which identity must be answered, and between two tries
SOON_S, TRY_S = 1.0, 0.2
#: a start is counted in a cell of three bytes
BYTES_A_START = 3
#: a saved copy of the settings is smaller than this
BYTES_A_SAVE = 128
#: stages whose requests make up the session that is mutated
SESSION = ("identity", "transceiver", "link", "inertial")


@dataclass(slots=True)
class Tally:
    """What one generator came to. late: looks without an answer within a second. accidents: bytes of EEPROM
    written beyond what starts and saves that were asked for account for."""

    bytes_fed: int = 0
    frames: int = 0
    looks: int = 0
    late: int = 0
    starts: int = 0
    saves: int = 0
    written: int = 0
    accidents: int = 0
    widest_us: float = 0.0
    bench_s: float = 0.0


def session(only: tuple[str, ...] = SESSION) -> bytes:
    """Everything the host says to a craft in these stages of the bring-up, byte for byte, on a simulated pair."""
    bench, said = benches.open_bench("sim", seed=3), bytearray()
    port = bench.boards[Role.CRAFT].port
    write = port.write

    def heard(data: bytes) -> None:
        said.extend(data)
        write(data)

    port.write = heard  # type: ignore[method-assign]
    try:
        Runner(load(shipped.procedure("bring-up")).only(only), bench, lambda event: None).run()
    finally:
        bench.close()
    return bytes(said)


def mutated_session(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    """A real session again and again, from anywhere, with a damage every 30 bytes or so."""
    real = session()
    while True:
        at = chance.randrange(len(real))
        piece = bytearray((real[at:] + real)[:CHUNK])
        for _ in range(chance.randrange(1, CHUNK // 30)):
            spot = chance.randrange(len(piece))
            what = chance.randrange(4)
            if what == 0:
                piece[spot] ^= 1 << chance.randrange(8)
            elif what == 1:
                piece[spot] = chance.randrange(256)
            elif what == 2:
                del piece[spot]
            else:
                piece.insert(spot, chance.choice((0, 1, 255)))
        yield bytes(piece)


def delimiters(feeder: Feeder, chance: random.Random) -> Iterator[bytes]:
    """Hardly anything but ends of frames, and frames that never end."""
    while True:
        yield chance.choice((bytes(CHUNK), b"\x01" * CHUNK, b"\xff" * CHUNK, bytes(chance.choices((0, 1, 2), k=CHUNK))))


GENERATORS: dict[str, Callable[[Feeder, random.Random], Iterator[bytes]]] = {
    "random bytes": NEVER_ARM["random bytes"],
    "framed random bodies": NEVER_ARM["framed random bodies"],
    "mutated session": mutated_session,
    "delimiters": delimiters,
}


def feed(generator: str, total: int, seed: int = 1) -> Tally:
    """Feed so many bytes; raises AssertionError at the first look that fails."""
    feeder, tally, life = Feeder("avr", seed), Tally(), 0
    chance = random.Random(f"{seed} {generator}")
    chip, asked = feeder.bench.chips[Role.CRAFT], Deframer()
    before = chip.eeprom_writes
    tally.starts = 1  # its start may still be being counted
    try:
        for data in GENERATORS[generator](feeder, chance):
            feeder.put(data)
            _note(feeder, tally)
            for message in map(messages.decode, asked.feed(data)):
                tally.frames += 1
                tally.saves += not isinstance(message, Malformed) and isinstance(message, msg.SettingsSave)
            tally.bytes_fed += len(data)
            _look(feeder, tally)
            tally.written = chip.eeprom_writes - before
            allowed = BYTES_A_START * tally.starts + BYTES_A_SAVE * tally.saves
            tally.accidents = max(tally.accidents, tally.written - allowed)
            _judge(generator, tally)
            life += len(data)
            if life >= LIFE:
                life = 0
                feeder.restart()
                tally.starts += 1
            if tally.bytes_fed >= total:
                break
        tally.bench_s = feeder.bench.now()
    finally:
        feeder.close()
    return tally


def _note(feeder: Feeder, tally: Tally) -> None:
    tally.starts += sum(isinstance(m, msg.Boot) for m in feeder.answers)
    widths = [p.width_us for p in feeder.pulses.all]
    feeder.pulses.all.clear()
    tally.widest_us = max([tally.widest_us, *widths])


def _look(feeder: Feeder, tally: Tally) -> None:
    """Ask who it is, as a host does: again after a while, for a second in all."""
    tally.looks += 1
    end = feeder.bench.now() + SOON_S
    while feeder.bench.now() < end:
        feeder.craft.port.write(b"\0" + request(msg.Identify(), 0x7777))
        again = feeder.bench.now() + TRY_S
        while feeder.bench.now() < again:
            feeder.bench.wait(0.005)
            came = feeder.listen()
            _note(feeder, tally)
            if any(isinstance(m, msg.IdentifyAnswer) and m.sequence == 0x7777 for m in came):
                return
    tally.late += 1


def _judge(generator: str, tally: Tally) -> None:
    where = f"{generator}, after {tally.bytes_fed} bytes"
    assert tally.late == 0, f"{where}: identity was not answered within {SOON_S:g} s"
    assert tally.accidents == 0, f"{where}: {tally.accidents} bytes of EEPROM written that nobody asked for"
    assert tally.widest_us <= IDLE_MOST_US + 1, f"{where}: a pulse of {tally.widest_us:.0f} us"
