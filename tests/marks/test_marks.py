"""The probe inside an own sketch, on the `avr` bench: the stages work through it, marks are cheap, off is off."""

from __future__ import annotations

import itertools
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from needs import lacking, need, needs

from benchctl import benches, shipped
from benchctl.avr.build_shim import available
from benchctl.avr.image import read_image
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.runs.summary import Summary
from benchctl.session.boot import OWN_SKETCH
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import Function

MARKS = Path(__file__).parents[2] / "firmware_probe" / "marks"
SKETCH = MARKS / "marked_pair" / "marked_pair.ino"
CORE = Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino")
FLAGS = (
    *("-mmcu=atmega328p", "-std=gnu++11", "-Os", "-ffunction-sections", "-fdata-sections"),
    *("-fno-exceptions", "-fno-threadsafe-statics", "-fshort-enums", "-Wl,--gc-sections"),
)


#: a sketch of somebody's own makes its pulses by itself
pytestmark = pytest.mark.pulses("a sketch's own pulses")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The library's folder, as `make library` puts it together."""
    need(lacking("avr-g++", "make"))
    build = tmp_path_factory.mktemp("marks")
    subprocess.run(["make", "-s", "-C", str(MARKS), "library", f"BUILD={build}"], check=True)
    return build / "probe_mark"


Build = Callable[..., Path]


@pytest.fixture(scope="module")
def build(library: Path, tmp_path_factory: pytest.TempPathFactory) -> Build:
    """build(sketch, "-D…", clock=16_000_000, bare=False): the ELF file of a sketch; bare: without the library's sources."""
    folder = tmp_path_factory.mktemp("elf")

    def made(sketch: Path, *flags: str, clock: int = 16_000_000, bare: bool = False) -> Path:
        out = folder / f"{len(list(folder.iterdir()))}.elf"
        sources = [] if bare else [str(p) for p in sorted((library / "src").glob("*.cpp"))]
        include = [f"-I{SKETCH.parent}", *([] if bare else [f"-I{library / 'src'}"])]
        main = str(MARKS.parent / "main.cpp")
        # the sketch first in both, so that the order of the parts is the same
        command = ["avr-g++", *FLAGS, f"-DF_CPU={clock}UL", *flags, *include, "-o", str(out), "-x", "c++", str(sketch), main, *sources]
        subprocess.run(command, check=True)
        return out

    return made


def run(images: dict[Role, str], folder: Path, procedure: str = "own-sketch", bench: str = "avr") -> Summary:
    need(available())
    opened = benches.open_bench(bench, seed=3, images=images)
    try:
        return Operation(load(shipped.procedure(procedure)), opened, folder, reports=False).perform().summary
    finally:
        opened.close()


@pytest.fixture(scope="module")
def images(build: Build) -> dict[Role, str]:
    return {Role.HAND: str(build(SKETCH, "-DCRAFT=0")), Role.CRAFT: str(build(SKETCH, "-DCRAFT=1"))}


@pytest.fixture(scope="module")
def done(images: dict[Role, str], tmp_path_factory: pytest.TempPathFactory) -> Summary:
    """The example pair through the whole procedure."""
    return run(images, tmp_path_factory.mktemp("runs"))


@pytest.mark.long
@pytest.mark.parametrize("stage", ["identity", "link", "button_to_led", "joystick_to_servo"])
def test_stages_work_through_the_example(done: Summary, stage: str) -> None:
    assert done.stages[stage].verdict is Verdict.PASS


@pytest.mark.long
def test_the_firmware_says_that_it_is_an_own_one(done: Summary) -> None:
    """C header and host agree on the number, and two images of one pair are no cause of anything."""
    told = re.search(r"OWN_SKETCH (0x\w+)", (MARKS / "mark_parts.h").read_text("utf-8"))
    assert told is not None
    assert int(told[1], 16) == OWN_SKETCH
    assert {b.firmware for b in done.boards.values()} == {"own 1.0"}
    assert len({b.image_crc for b in done.boards.values()}) == 2
    assert not [f for f in done.findings if f.cause.startswith("different firmware")]


@pytest.mark.long
def test_the_sketchs_own_times_are_found(done: Summary) -> None:
    """10 ms of debounce are in the sketch: the sense part holds them, the air part is the radio's own."""
    sense, air = done.reading("button_to_led", "sense_p50"), done.reading("button_to_led", "air_p50")
    assert sense is not None
    assert air is not None
    assert 9_000 < sense.value < 12_000
    # settling 130 us, then 5 address bytes, 9 control bits, 7 bytes, 2 of CRC and a preamble at 1 Mbps, as the
    # transceiver's product specification has it; the sketch polls, so up to a turn of its loop more
    assert 130 + 8 * (1 + 5 + 7 + 2) < air.value < 130 + 129 + 300


def test_the_sketch_has_its_transceiver_back(images: dict[Role, str], tmp_path: Path) -> None:
    """After a link test over other settings the sketch's own packets come through, with not a line said to it."""
    need(available())
    bench = benches.open_bench("avr", seed=4, images=images)
    try:
        hand, craft = (bench.boards[r] for r in (Role.HAND, Role.CRAFT))
        for board in (hand, craft):
            board.open()
            for function in (Function.RADIO_CE, Function.RADIO_CSN, Function.RADIO_IRQ):
                board.write_pin(function, board.wiring.pins[function])
            board.write_setting("radio_channel", 100)
            board.write_setting("radio_rate", 2)
            board.write_setting("radio_address", 0x12345678)
            assert board.ask(msg.RadioApply(), timeout=1.0).wrong == 0
        common = {"test": 1, "interval_us": 2000, "payload": 32}
        craft.ask(msg.LinkStart(mode=0, count=0, **common))
        hand.ask(msg.LinkStart(mode=2, count=50, **common))
        hand.wait_done(msg.LinkStart, 2.0)
        assert hand.ask(msg.LinkStop()).delivered == 50
        assert craft.ask(msg.LinkStop()).received == 50
        for board in (craft, hand):
            board.ask(msg.LoopStart(trace=0))
        bench.wait(1.0)
        sent, came = hand.ask(msg.LoopStop()).packets, craft.ask(msg.LoopStop())
    finally:
        bench.close()
    assert sent >= 45
    assert came.packets >= sent - 2
    assert came.lost == 0


@pytest.mark.parametrize("clock", [16_000_000, pytest.param(8_000_000, marks=pytest.mark.long)])
def test_a_mark_costs_at_most_five_microseconds(build: Build, tmp_path: Path, clock: int) -> None:
    """Counted on the pin that the sketch holds high meanwhile, less what the timing itself takes."""
    need(available())
    image = str(build(Path(__file__).parent / "cost.ino", clock=clock))
    described = tmp_path / "clock.toml"
    described.write_text(f'kind = "avr"\npair = "mudlark"\nonly = ["hand"]\n[board.hand]\nclock_hz = {clock}\n', "utf-8")
    bench = benches.open_bench(str(described), seed=1, images={Role.HAND: image})
    try:
        hand, edges = bench.boards[Role.HAND], []
        hand.open()
        hand.ask(msg.LoopStart(trace=1))
        bench.chips[Role.HAND].watch("PC4", lambda level, time: edges.append((level, time)))
        bench.wait(0.3)
        traced = [row for event in hand.events(msg.Trace) for row in event.rows]
    finally:
        bench.close()
    cycles = [round(clock * (b - a)) for (up, a), (_, b) in itertools.pairwise(edges) if up]
    timing = min(cycles)

    assert len(cycles) > 100
    assert 5e-6 * clock >= max(cycles) - timing
    # every eighth is the empty one: what is subtracted was measured, and no mark cost next to nothing
    assert {timing} == set(cycles[cycles.index(timing) :: 8])
    # and they were real marks: in order, none missing, pulses doubled to ticks
    numbers = [value for point, value, _ in traced if point == 2]
    assert len(numbers) > 20
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    pulses = [value for point, value, _ in traced if point == 6 and value > 1]
    assert len(pulses) > 20
    assert pulses == list(range(pulses[0], pulses[0] + 2 * len(pulses), 2))


@pytest.mark.parametrize("burst", [False, True])
def test_marks_that_find_no_room_are_missed_not_hidden(build: Build, burst: bool) -> None:
    """Nine between two polls are kept, in order and with their times; of more the host sees that some are gone."""
    need(available())
    image = str(build(Path(__file__).parent / "burst.ino", f"-DBURST={int(burst)}"))
    bench = benches.open_bench("avr", seed=1, images={Role.HAND: image})
    try:
        hand = bench.boards[Role.HAND]
        hand.open()
        hand.ask(msg.LoopStart(trace=1))
        before = hand.exchange.counts.lost_events
        bench.wait(1.0)
        rows = [row for event in hand.events(msg.Trace) for row in event.rows]
        lost = hand.exchange.counts.lost_events - before
    finally:
        bench.close()
    queued = [(value, at) for point, value, at in rows if point == 2]

    assert len(queued) > 9 * 15
    assert [value for value, _ in queued] == list(range(queued[0][0], queued[0][0] + len(queued)))
    # of nine in a row each begins within some microseconds after the one before; half a microsecond is a tick
    assert max(b - a for (n, a), (_, b) in itertools.pairwise(queued) if n % 9 != 8) < 20
    assert (lost > 15) == burst
    assert (lost == 0) != burst


def without_probe(text: str) -> str:
    """The sketch as it would be had the probe never been there."""
    text = re.sub(r"PROBE_STICK\(\w, ((?:[^()]|\([^()]*\))*)\)", r"\1", text)
    text = re.sub(r"\n *if \(PROBE_POLL\(\)\)[^\n]*", "", text)
    return re.sub(r"\n *(?:PROBE_\w+\(.*\);|#include \"probe_mark.h\")(?=\n)", "", text)


@pytest.mark.parametrize("craft", [0, 1])
def test_off_leaves_nothing(build: Build, tmp_path: Path, craft: int) -> None:
    """PROBE_ON 0 with all the library's sources: the image of the sketch without a single line of it."""
    plain = tmp_path / "plain.ino"
    plain.write_text(without_probe(SKETCH.read_text("utf-8")), "utf-8")
    assert "PROBE" not in re.sub(r"//[^\n]*", "", plain.read_text("utf-8"))
    off = build(SKETCH, f"-DCRAFT={craft}", "-DPROBE_ON=0")

    assert read_image(off) == read_image(build(plain, f"-DCRAFT={craft}", bare=True))


FLAGS_OF_A_LIBRARY = [("-DPROBE_INT0=0",), ("-DPROBE_CAPTURE=0",), ("-DPROBE_ON=0",)]


@pytest.mark.parametrize("flags", [(), *(pytest.param(f, marks=pytest.mark.long) for f in FLAGS_OF_A_LIBRARY)])
@needs("" if CORE.is_dir() else "the package arduino-core-avr is not installed")
def test_it_is_a_library_of_the_usual_ide(library: Path, tmp_path: Path, flags: tuple[str, ...]) -> None:
    """Library folder, example and the IDE's start-up code compile with its flags, and link with room to spare."""
    assert (library / "library.properties").read_text("utf-8").startswith("name=probe_mark\n")
    example = library / "examples" / "marked_pair" / "marked_pair.ino"
    ide = ["-mmcu=atmega328p", "-DF_CPU=16000000L", "-DARDUINO=10819", "-Os", "-w", "-ffunction-sections"]
    ide += ["-fdata-sections", "-fno-exceptions", "-fno-threadsafe-statics", "-fpermissive", "-flto", *flags]
    include = [f"-I{CORE}", f"-I{CORE.parents[1] / 'variants' / 'standard'}", f"-I{library / 'src'}"]
    sketch = tmp_path / "sketch.cpp"
    sketch.write_text("#include <Arduino.h>\n" + example.read_text("utf-8"), "utf-8")
    objects = []
    for source in (sketch, *sorted((library / "src").glob("*.cpp")), *(CORE / n for n in ("main.cpp", "hooks.c"))):
        objects.append(str(tmp_path / f"{len(objects)}.o"))
        compiler, language = ("avr-gcc", "gnu11") if source.suffix == ".c" else ("avr-g++", "gnu++11")
        around = [f"-I{example.parent}"] if source == sketch else []
        command = [compiler, *ide, f"-std={language}", *include, *around, "-c", str(source), "-o", objects[-1]]
        subprocess.run(command, check=True)
    wiring = tmp_path / "wiring.o"
    subprocess.run(["avr-gcc", *ide, "-std=gnu11", *include, "-c", str(CORE / "wiring.c"), "-o", str(wiring)], check=True)
    elf = tmp_path / "sketch.elf"
    link = ["avr-gcc", "-mmcu=atmega328p", "-Os", "-flto", "-w", "-Wl,--gc-sections", "-o", str(elf)]
    subprocess.run([*link, *objects, str(wiring)], check=True)

    assert len(read_image(elf)) < 20_000
