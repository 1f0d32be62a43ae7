"""Hostile bytes by the million, on the host and on the firmware. Seeds are printed; the same seed gives the same bytes.

    hostile_wire.py host [MILLIONS] [SEED]   mutated frames through deframer, decoder and exchange (10 million)
    hostile_wire.py boards [RUNS] [SEED]     every stage against every misbehaving board, RUNS times each (5)
    hostile_wire.py avr [MILLIONS] [SEED]    bytes into the firmware on the avr bench (3 million)
    hostile_wire.py fuzz [SECONDS]           coverage-guided: atheris where it is installed, else Hypothesis (60)

With --write what was found is written into results, but for the coverage-guided one.
"""

from __future__ import annotations

import resource
import sys
import time
from collections import Counter
from pathlib import Path

from benchctl.wire import msg

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "robust"), str(_TESTS / "safety_proof"), str(_TESTS), str(_TESTS.parent)]

from tests.campaigns import published  # noqa: E402

_TITLES = {"host": "Hostile bytes on the host", "boards": "Boards that misbehave", "avr": "Hostile bytes on the firmware"}


def _megabytes() -> float:
    """The most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def host(millions: float = 10.0, seed: int = 1) -> list[str]:
    from mutants import campaign

    total, step, first = round(millions * 1e6), 1_000_000, seed
    sums: Counter[str] = Counter()
    print(f"{'seed':>6}{'frames':>11}{'bytes':>12}{'accepted':>10}{'damaged':>9}{'no message':>11}{'answers':>9}"
          f"{'most MB':>9}{'s':>6}", flush=True)  # fmt: skip
    done = 0
    while done < total:
        began, size = time.monotonic(), min(step, total - done)
        t = campaign(size, seed)
        print(f"{seed:>6}{t.frames:>11}{t.bytes_in:>12}{t.accepted:>10}{t.damaged:>9}{t.malformed:>11}{t.answered:>9}"
              f"{_megabytes():>9.0f}{time.monotonic() - began:>6.0f}", flush=True)  # fmt: skip
        done, seed = done + t.frames, seed + 1
        for name in ("bytes_in", "accepted", "damaged", "malformed", "answered"):
            sums[name] += getattr(t, name)
    found = f"{done} mutated frames: no crash, no wrong CRC accepted, no right one refused"
    print(found)
    return [f"{found}. Seeds {first} to {seed - 1}, {sums['bytes_in']} bytes; {sums['accepted']} frames accepted, "
            f"{sums['damaged']} damaged, {sums['malformed']} whole but no message, {sums['answered']} answers to what "
            f"was asked; at most {_megabytes():.0f} MB."]  # fmt: skip


def boards(runs: int = 5, seed: int = 1) -> list[str]:
    from hostile import TEMPERS, HostileBench, perform

    from benchctl.stages.kinds import KINDS

    longest, rows = 0.0, ["| stage | ends |", "| --- | --- |"]
    for kind in KINDS:
        ends: Counter[str] = Counter()
        for temper in TEMPERS:
            for s in range(seed, seed + int(runs)):
                bench = HostileBench(temper, s)
                ended = perform(kind, bench)
                ends["refused" if isinstance(ended, str) else str(ended.verdict)] += 1
                longest = max(longest, bench.now())
        told = ", ".join(f"{n} {end}" for end, n in sorted(ends.items()))
        print(f"{kind:<18}", told, flush=True)
        rows.append(f"| {kind} | {told} |")
    found = (f"seeds {seed} to {seed + int(runs) - 1}; no exception; longest {longest:.0f} s of bench time; "
             f"most memory {_megabytes():.0f} MB")  # fmt: skip
    print(found)
    return [*rows, "", f"Both boards silent, mute, refusing, lying, flooding, restarting, confused or another gadget: {found}."]


def avr(millions: float = 3.0, seed: int = 1) -> list[str]:
    from firmware_wire import GENERATORS, feed

    print(f"{'generator':<22}{'bytes':>10}{'frames':>9}{'looks':>7}{'late':>6}{'starts':>8}{'saves':>7}{'EEPROM':>8}"
          f"{'accidents':>11}{'widest us':>11}{'bench s':>9}{'s':>6}", flush=True)  # fmt: skip
    rows = ["| bytes | fed | frames | late | starts | saves | EEPROM bytes | by accident | widest pulse |",
            "| --- | --- | --- | --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for name in GENERATORS:
        began = time.monotonic()
        t = feed(name, round(millions * 1e6 / len(GENERATORS)), seed)
        print(f"{name:<22}{t.bytes_fed:>10}{t.frames:>9}{t.looks:>7}{t.late:>6}{t.starts:>8}{t.saves:>7}{t.written:>8}"
              f"{t.accidents:>11}{t.widest_us:>11.0f}{t.bench_s:>9.0f}{time.monotonic() - began:>6.0f}",
              flush=True)  # fmt: skip
        cells = (name, t.bytes_fed, t.frames, t.late, t.starts, t.saves, t.written, t.accidents, f"{t.widest_us:.0f} µs")
        rows.append("| " + " | ".join(map(str, cells)) + " |")
    found = f"seed {seed}; after every batch identity within a second, no byte of EEPROM that was not asked for"
    print(found)
    return [*rows, "", f"S{found[1:]}; {len(GENERATORS)} ways to make bytes."]


def _one_input(data: bytes) -> None:
    """The fuzz target: any bytes, in two pieces, while a request is open. An odd first byte: each piece between
    zeros gets a right CRC, which no search finds by itself."""
    from mutants import Watched, plain_accepts

    from benchctl.session.exchange import Exchange
    from benchctl.wire.framing import MAX_BODY, MIN_BODY, frame

    cut, noise = (data[0], data[1:]) if data else (0, b"")
    if cut & 1:
        noise = b"".join(frame(p) for p in noise.split(b"\0\0") if MIN_BODY <= len(p) <= MAX_BODY)
    exchange, watched = Exchange(), Watched()
    exchange._deframer = watched
    exchange.ask(msg.Identify(), 0.0, 1.0, 0)
    exchange.feed(noise[:cut])
    exchange.feed(noise[cut:])
    exchange.take_answer()
    exchange.take_events()
    expected = [b for b in map(plain_accepts, noise.split(b"\0")[:-1]) if b is not None]
    if watched.seen != expected:
        raise AssertionError(f"{noise.hex()} gives {watched.seen}, expected {expected}")


def fuzz(seconds: float = 60.0) -> None:
    try:
        import atheris
    except ImportError:
        _searched(seconds)
        return
    with atheris.instrument_imports(include=["benchctl.wire", "benchctl.session", "cobs"]):
        import benchctl.session.exchange
        import benchctl.wire.messages  # noqa: F401
    atheris.Setup([sys.argv[0], f"-max_total_time={round(seconds)}", "-max_len=600", "-seed=1"], _one_input)
    atheris.Fuzz()


def _searched(seconds: float) -> None:
    from hypothesis import HealthCheck, given, settings, target
    from hypothesis import strategies as st
    from mutants import Watched

    end, tried = time.monotonic() + seconds, 0

    @given(st.binary(max_size=600))
    @settings(max_examples=10_000, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    def search(data: bytes) -> None:
        nonlocal tried
        tried += 1
        _one_input(data)
        watched = Watched()
        watched.feed(data)
        target(float(watched.counts.good), label="whole frames")
        target(float(watched.counts.bad_crc), label="wrong CRC")

    while time.monotonic() < end:
        search()
    print(f"{tried} inputs by Hypothesis (atheris is not installed): no crash, no wrong CRC accepted")


def main() -> None:
    commands = {"host": host, "boards": boards, "avr": avr, "fuzz": fuzz}
    if len(sys.argv) < 2 or sys.argv[1] not in commands:
        sys.exit(__doc__)
    command, given = sys.argv[1], [a for a in sys.argv[2:] if a != "--write"]
    found = commands[command](*(float(a) if "." in a else int(a) for a in given))  # type: ignore[operator]
    if "--write" in sys.argv:
        called = " ".join(("python tests/campaigns/hostile_wire.py", command, *given, "--write"))
        published.put(f"hostile {command}", _TITLES[command], [f"`{called}`", "", *found])


if __name__ == "__main__":
    main()
