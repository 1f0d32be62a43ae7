"""The bench: ports, time, supply, stop and wiring of the modelled world, with small programs in place of the probe."""

import threading
import time
from dataclasses import replace

import pytest

from benchctl import benchfile, shipped
from benchctl.avr.bench import AvrBench
from benchctl.avr.chip import Reset
from benchctl.errors import NoAnswer, PortLost, Stopped, UsageError, WrongDevice
from benchctl.terms import Role
from benchctl.wire import msg

HAND, CRAFT = Role.HAND, Role.CRAFT


def bench_of(images, **boards):
    """The Mudlark pair with these programs; keyword: changes of a board's description."""
    spec = benchfile.load("avr")
    changed = {r: replace(b, **boards.get(str(r), {})) for r, b in spec.boards.items()}
    return AvrBench(replace(spec, boards=changed), {r: str(i) for r, i in images.items()})


@pytest.fixture
def benches():
    made = []

    def make(images, **boards):
        made.append(bench_of(images, **boards))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


def ask(bench, role, data, seconds=0.01):
    port = bench.boards[role].port
    port.write(data)
    bench.wait(seconds)
    return port.read_nowait()


@pytest.fixture
def pair(build, benches):
    bench = benches({HAND: build("reset"), CRAFT: build("echo")})
    bench.wait(0.1)
    return bench


def test_bytes_go_both_ways(pair):
    assert pair.boards[HAND].port.read_nowait()[:1] == bytes([Reset.POWER_ON])
    assert ask(pair, CRAFT, b"abc") == b"bcd"
    assert ask(pair, HAND, b"x") == b"x"


def test_wait_input_returns_when_bytes_reach_the_host(pair):
    """The way: 125 µs to the line, 20 µs a byte each way, up to 1 ms in the USB-serial chip; not much more."""
    pair.wait_input(pair.now())  # what has come before
    start = pair.now()
    pair.boards[CRAFT].port.write(b"a")

    assert pair.wait_input(start + 1.0)
    assert 165e-6 < pair.now() - start < 1.5e-3
    assert pair.boards[CRAFT].port.read_nowait() == b"b"
    assert not pair.wait_input(pair.now() + 0.05)


def test_waiting_is_exact(pair):
    start = pair.now()
    pair.wait(0.0123)

    assert pair.now() == pytest.approx(start + 0.0123, abs=1e-12)


def test_reset_by_the_port(pair):
    """DTR pulses the reset line; the chip starts with EXTRF and its RAM kept."""
    port = pair.boards[HAND].port
    port.read_nowait()
    port.reset()
    pair.wait(0.1)

    assert port.read_nowait() == bytes([Reset.EXTERNAL, 0x5A])


def test_unplugging_loses_the_port_and_the_memory(pair):
    port = pair.boards[HAND].port
    port.read_nowait()
    pair.world.power_off(HAND)
    pair.wait(1.0)
    with pytest.raises(PortLost):
        port.write(b"x")
    pair.world.power_on(HAND)
    pair.wait(0.2)
    cause, kept = port.read_nowait()

    assert cause == Reset.POWER_ON
    assert kept != 0x5A


def test_a_sagging_supply_is_a_brown_out(pair):
    """A load that pulls VCC below 2.7 V, not below 1 V: BORF, RAM kept."""
    port, board = pair.boards[HAND].port, pair.world.boards[HAND]
    port.read_nowait()
    board.supply.set_load("short", 14.0, pair.now())
    pair.wait(100e-6)
    assert board.held
    assert 1.0 < board.supply.volts(pair.now()) < 2.7
    board.supply.set_load("short", 0.0, pair.now())
    pair.wait(0.1)

    assert port.read_nowait() == bytes([Reset.BROWN_OUT, 0x5A])


def test_outputs_reach_the_parts(pair):
    """The test program lights PD4, the LED's pin; in reset it goes out."""
    board = pair.world.boards[HAND]

    assert board.outputs["led"].level == 1.0
    assert board.led.lit.level == 1.0
    board.supply.set_load("short", 14.0, pair.now())
    pair.wait(0.002)
    assert board.outputs["led"].level == 0.0


def test_a_press_reaches_the_pin(build, benches):
    bench = benches({HAND: build("pins"), CRAFT: build("echo")})
    bench.wait(0.1)
    switch = bench.world.boards[HAND].switches["switch1"]
    assert bench.chips[HAND].level("PD3") == 1
    switch.press(bench.now())
    bench.wait(0.05)

    assert bench.chips[HAND].level("PD3") == 0
    assert ask(bench, HAND, b"r")[2] >= 1  # INT1 has seen the edges


def test_the_transceiver_answers_on_the_pins(build, benches):
    """W_REGISTER CONFIG, then R_REGISTER: reset values 0x0E of STATUS and 0x08 of CONFIG, nRF24L01+ Product
    Specification v1.0, section 9.1."""
    spec = benchfile.load("avr")
    pins = {**spec.boards[HAND].pins, "radio_csn": "PB1"}
    bench = benches({HAND: build("spi"), CRAFT: build("echo")}, hand={"pins": pins})
    bench.wait(0.3)

    assert ask(bench, HAND, bytes([0x50, 1, 2, 0x00, 0xFF]))[:2] == bytes([0x0E, 0x08])
    ask(bench, HAND, bytes([0x50, 1, 2, 0x20, 0x0B]))
    assert ask(bench, HAND, bytes([0x50, 1, 2, 0x00, 0xFF]))[:2] == bytes([0x0E, 0x0B])


def test_the_sensor_answers_on_the_pins(build, benches):
    """WHO_AM_I, register 0x75, is 0x68 (MPU-6000/6050 Register Map, revision 4.2)."""
    bench = benches({HAND: build("echo"), CRAFT: build("twi")})
    bench.wait(0.3)
    codes = [ask(bench, CRAFT, c)[:2] for c in (b"s", b"w\xd0", b"w\x75", b"s", b"w\xd1", b"n", b"p")]

    assert [c[0] for c in codes] == [0x08, 0x18, 0x28, 0x10, 0x40, 0x58, 0xF8]
    assert codes[5][1] == 0x68


def test_analog_inputs(build, benches):
    """Joystick at rest near the middle; the supply by the band gap near 5 V."""
    bench = benches({HAND: build("adc"), CRAFT: build("echo")})
    bench.wait(0.1)
    stick = int.from_bytes(ask(bench, HAND, b"\x40")[:2], "little")
    gap = int.from_bytes(ask(bench, HAND, b"\x4e")[:2], "little")

    assert 400 < stick < 620
    assert 4.7 < 1.1 * 1024 / gap < 5.1


@pytest.mark.pulses("firmware of somebody else's")
def test_a_jumper_between_boards(build, benches):
    """craft.pulse1 to hand.capture: the widths that the craft sends are those that the hand captures."""
    spec = benchfile.load("avr")
    wire = benchfile.WireSpec(start="craft.pulse1", to="hand.capture")
    pins = {**spec.boards[HAND].pins, "capture": "PB0"}
    boards = {**spec.boards, HAND: replace(spec.boards[HAND], pins=pins)}
    images = {HAND: str(build("capture")), CRAFT: str(build("pulse", WIDTH=3000))}
    bench = AvrBench(replace(spec, boards=boards, wires=(wire,)), images)
    try:
        bench.boards[HAND].port.read_nowait()
        bench.wait(0.25)
        data = bench.boards[HAND].port.read_nowait()
    finally:
        bench.close()
    ticks = [int.from_bytes(data[i : i + 2], "little") for i in range(0, len(data) - 3, 2)]
    high = [(b - a) & 0xFFFF for a, b in zip(ticks[::2], ticks[1::2], strict=False)]

    assert len(high) > 5
    assert all(abs(w - 3000) <= 1 for w in high)


def test_the_stop_goes_out_at_once_and_first(pair):
    """Urgent bytes overtake what is queued; the run's thread learns of the stop by its next wait."""
    port = pair.boards[CRAFT].port
    port.write(bytes(100))
    port.urgent(b"\x41")
    pair.wait(0.01)
    got = port.read_nowait()

    assert got.index(b"\x42") < 10
    pair.halted = True
    with pytest.raises(Stopped):
        pair.wait(1.0)
    pair.stop_all()


def test_damage_on_the_cable(build, benches):
    """One byte in ten lost each way: about 81 % come back."""
    spec = benchfile.load("avr")
    serial = replace(spec.boards[CRAFT].serial, drop_per_million=100_000)
    bench = benches({HAND: build("echo"), CRAFT: build("echo")}, craft={"serial": serial})
    bench.wait(0.1)
    came = len(ask(bench, CRAFT, bytes(1000), 0.1))

    assert 740 < came < 880


def test_the_same_seed_gives_the_same_bytes(build, benches):
    def run():
        bench = benches({HAND: build("adc"), CRAFT: build("echo")})
        bench.wait(0.1)
        return [ask(bench, HAND, b"\x40") for _ in range(5)], bench.now()

    assert run() == run()


def test_firmware_of_somebody_else_is_named(pair):
    with pytest.raises((NoAnswer, WrongDevice)):
        pair.boards[CRAFT].open()


def test_a_missing_image_is_a_sentence(avr_tools):
    with pytest.raises(UsageError, match="cannot be read"):
        bench_of({HAND: "/nowhere/probe.hex", CRAFT: "/nowhere/probe.hex"})


def test_closing_twice_is_fine(pair):
    pair.close()
    pair.close()


def test_the_shipped_probe_knows_its_board(benches, avr_tools):
    """The probe on the healthy pair: role, label, signature (data sheet table "Device ID"), a transceiver that holds
    its settings, and no watchdog in ten seconds."""
    bench = benches({})
    for role, board in bench.boards.items():
        found = board.open()

        assert (found.role, found.label) == (role, f"mudlark-{role}-01")
        assert found.signature == bytes([0x1E, 0x95, 0x0F])
        assert board.ask(msg.RadioApply(), timeout=1.0).wrong == 0
    bench.wait(10.0)
    assert [chip.resets(Reset.WATCHDOG) for chip in bench.chips.values()] == [0, 0]
    assert [chip.overruns for chip in bench.chips.values()] == [0, 0]


def test_a_stop_from_another_thread_ends_the_wait(pair):
    def stop():
        pair.stop_all()
        time.sleep(0.05)  # the order in which a run does it, with a gap
        pair.halted = True

    timer = threading.Timer(0.2, stop)
    timer.start()
    with pytest.raises(Stopped):
        pair.wait(1e9)
    timer.join()


def test_an_image_of_the_bench_file_runs(avr_tools):
    """The `image` key of a board is its firmware, and the run's record says so."""
    text = f'kind = "avr"\npair = "mudlark"\n[board.hand]\nimage = "{shipped.image(16_000_000)}"\n[board.craft]\n'
    bench = AvrBench(benchfile.parse(text.encode(), "own.toml"))
    try:
        assert bench.boards[HAND].open().label == "mudlark-hand-01"
        assert set(bench.images) == {"hand"}
    finally:
        bench.close()


def test_a_pulse_that_the_reset_line_cuts_is_no_harm(benches):
    """DTR falls in the middle of a servo's pulse: what is left of it is nobody's command."""
    bench = benches({}, craft={"outputs_confirmed": True})
    craft, line = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].outputs["pulse1"]
    craft.open()
    craft.ask(msg.Pulse(channel=1, width_us=2000))
    bench.wait(0.1)
    while not line.level:
        bench.wait(0.0001)
    fell = []
    line.connect(lambda level, time: fell.append(time))
    craft.port.reset()
    bench.wait(0.05)
    assert len(fell) == 1
    assert bench.world.allowances[Role.CRAFT].cut(fell[0])
