"""Who the board is, its clock, its settings, its pins: as the catalogue says and as the world truly is."""

from __future__ import annotations

import json
from contextlib import nullcontext

import pytest
from helpers import MUDLARK_PINS
from helpers_outputs import wiring

from benchctl.errors import NoAnswer, Refused
from benchctl.shipped import IMAGES
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import (
    GUARDED_SETTINGS,
    PIN_KEYS,
    SETTINGS,
    Error,
    Function,
    PulseKind,
)
from benchctl.wire.fields import SCALARS

_WIDTH = {"B": 1, "H": 2, "I": 4, "16s": 16}


def _numbers():
    return [s for s in SETTINGS if s.type != "text16"]


def test_identify_tells_label_clock_and_shipped_image(open_sim) -> None:
    bench = open_sim()
    board = bench.boards[Role.CRAFT]
    board.open()
    bench.wait(0.5)
    identity = board.identify()

    assert (identity.label, identity.clock_hz, identity.cause) == ("mudlark-craft-01", 16_000_000, "power on")
    assert identity.signature == bytes((0x1E, 0x95, 0x0F))  # ATmega328P data sheet, table 28-9
    if (IMAGES / "manifest.json").is_file():
        images = json.loads((IMAGES / "manifest.json").read_text())["images"]
        assert identity.image_crc in {one["crc32"] for one in images.values()}


def test_clock_runs_at_the_oscillator_rate_with_its_error(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.hand.oscillator]\nppm = 4000.0\nwander_ppm = 0.0")
    board = bench.boards[Role.HAND]
    first, before = board.ask(msg.Clock()), bench.now()
    bench.wait(20.0)
    second, after = board.ask(msg.Clock()), bench.now()

    ticks = (second.received - first.received) & 0xFFFFFFFF
    assert ticks / (after - before) == pytest.approx(2e6 * 1.004, rel=1e-4)
    assert 0 < second.sent - second.received < 4000


def test_clock_counts_in_steps_of_two_at_8_mhz(open_sim) -> None:
    bench = open_sim("[board.hand]\nclock_hz = 8000000")
    board = bench.boards[Role.HAND]
    for _ in range(20):
        answer = board.ask(msg.Clock())
        assert answer.received % 2 == 0
        assert answer.sent % 2 == 0
    board.open()
    assert board.identity is not None
    assert board.identity.clock_hz == 8_000_000


def test_clock_wraps_after_35_8_minutes(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    first = board.ask(msg.Clock())
    bench.wait(2**32 / 2e6 + 1.0)
    second = board.ask(msg.Clock())

    assert (second.received - first.received) & 0xFFFFFFFF == pytest.approx(2e6, rel=0.2)


@pytest.mark.parametrize("setting", _numbers(), ids=lambda s: s.name)
def test_every_setting_takes_its_bounds_and_refuses_beyond(open_sim, setting) -> None:
    board = open_sim("[board.hand]").boards[Role.HAND]
    with wiring(board) if setting.name in GUARDED_SETTINGS else nullcontext():
        width = _WIDTH[SCALARS[setting.type][0]]
        top = min(setting.max, 2 ** (8 * width) - 1)
        for value in (setting.min, top):
            board.ask(msg.SettingWrite(key=setting.key, data=value.to_bytes(width, "little")))
            assert board.ask(msg.SettingRead(key=setting.key)).data == value.to_bytes(width, "little")
        if top + 1 < 2 ** (8 * width):
            with pytest.raises(Refused) as refused:
                board.ask(msg.SettingWrite(key=setting.key, data=(top + 1).to_bytes(width, "little")))
            assert refused.value.code == "value"
        with pytest.raises(Refused) as refused:
            board.ask(msg.SettingWrite(key=setting.key, data=bytes(width + 1)))
        assert refused.value.code == "length"
        assert board.ask(msg.SettingRead(key=setting.key)).data == top.to_bytes(width, "little")


def test_pins_are_those_of_the_bench_file_and_impossible_ones_are_refused(open_sim) -> None:
    board = open_sim("[board.hand]").boards[Role.HAND]
    assert board.read_pin(Function.LED) == MUDLARK_PINS[Function.LED]
    for code in (0x30, 0x31, 0x16, 0x26, 0x45, 0x48, 0x50):  # UART, crystal, reset, no such pins
        with pytest.raises(Refused) as refused:
            board.ask(msg.SettingWrite(key=PIN_KEYS + Function.LED, data=bytes((code,))))
        assert refused.value.code == "value"


def test_saved_settings_outlive_power_and_others_do_not(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    board.write_setting("debounce_us", 300)
    board.save_settings()
    board.write_setting("debounce_us", 400)
    board.restart()
    assert board.read_setting("debounce_us") == 300
    bench.power_off(Role.HAND)
    bench.wait(2.0)
    bench.power_on(Role.HAND)
    bench.wait(1.0)
    board.open()
    assert board.read_setting("debounce_us") == 300
    assert board.identify().settings_ok


def test_saving_writes_only_what_differs(open_sim) -> None:
    """Two copies are written in turn: the third save meets the first copy's bytes again."""
    board = open_sim("[board.hand]").boards[Role.HAND]
    first = board.ask(msg.SettingsSave(), timeout=2.0).written
    board.ask(msg.SettingsSave(), timeout=2.0)
    again = board.ask(msg.SettingsSave(), timeout=2.0).written

    assert first > 60
    assert again <= 3  # sequence and its CRC


def test_damaged_eeprom_gives_defaults_and_says_so(open_sim) -> None:
    bench = open_sim("[board.hand]")
    bench.chips[Role.HAND].chip.eeprom.damage()
    board = bench.boards[Role.HAND]
    board.restart()

    assert not board.identify().settings_ok
    assert board.read_setting("label") == ""


def test_settings_default_keeps_role_and_label(open_sim) -> None:
    board = open_sim("[board.craft]").boards[Role.CRAFT]
    with pytest.raises(Refused):
        board.ask(msg.SettingsDefault())
    with wiring(board):
        board.write_setting("cap_permille", 50)
        board.ask(msg.SettingsDefault())

    assert board.read_setting("cap_permille") == 200
    assert (board.read_setting("role"), board.read_setting("label")) == (1, "mudlark-craft-01")


@pytest.mark.parametrize("size", [0, 1, 50, 97])
def test_echo_returns_every_byte(open_sim, size: int) -> None:
    board = open_sim("[board.hand]").boards[Role.HAND]
    data = bytes(n * 7 & 0xFF for n in range(size))
    assert board.ask(msg.Echo(data=data)).data == data


def test_vitals_measure_the_supply_by_the_band_gap(open_sim) -> None:
    """A wrong calibration value shows as a wrong supply, by the same factor."""
    bench = open_sim("[board.hand]\nbandgap_v = 1.16")
    bench.wait(0.2)
    truth = bench.world.boards[Role.HAND].supply.volts(bench.now())
    board = bench.boards[Role.HAND]

    assert board.ask(msg.Vitals()).vcc_mv == pytest.approx(1000 * truth * 1.1 / 1.16, rel=0.01)
    board.write_setting("bandgap_mv", 1160)
    bench.wait(0.1)
    assert board.ask(msg.Vitals()).vcc_mv == pytest.approx(1000 * truth, rel=0.01)


def test_blinks_are_seen_as_often_as_asked_and_then_done(open_sim) -> None:
    bench = open_sim("[board.craft]")
    board, led = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].led
    began = bench.now()
    board.ask(msg.Led(blinks=5, on_ms=40, off_ms=60))
    board.wait_event(msg.Done, 2.0)

    assert led.blinks_since(began) == 5
    assert bench.now() - began == pytest.approx(0.5, abs=0.02)
    board.ask(msg.Led(blinks=255, on_ms=0, off_ms=0))
    bench.wait(0.01)
    assert led.lit.level == 1.0
    with pytest.raises(Refused):
        board.ask(msg.Led(blinks=3, on_ms=0, off_ms=10))


def test_pin_reads_the_line_and_never_writes_pulse_outputs(open_sim) -> None:
    bench = open_sim()
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    assert hand.ask(msg.Pin(function=Function.SWITCH1, mode=1)).level == 1
    bench.world.boards[Role.HAND].switches["switch1"].press(bench.now())
    bench.wait(0.05)
    assert hand.ask(msg.Pin(function=Function.SWITCH1, mode=1)).level == 0
    for function in (Function.PULSE1, Function.PULSE2):
        with pytest.raises(Refused) as refused:
            craft.ask(msg.Pin(function=function, mode=3))
        assert refused.value.code == "pin"


def test_motor_pin_under_another_name_is_left_alone(open_sim) -> None:
    """The LED's function moved onto the motor's pin: two users, so no pulses, and nothing drives it high."""
    bench = open_sim("[board.craft]")
    craft, esc = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].escs["pulse2"]
    craft.write_pin(Function.LED, MUDLARK_PINS[Function.PULSE2])
    craft.ask(msg.Led(blinks=255, on_ms=0, off_ms=0))
    bench.wait(0.5)
    assert esc.above_idle == []


def test_unknown_and_misshapen_requests_are_refused(open_sim) -> None:
    from benchctl.wire.framing import Deframer, frame
    from benchctl.wire.messages import Msg, decode

    bench = open_sim("[board.hand]")
    port = bench.ports[Role.HAND]
    port.read_nowait()
    for body, code in (
        (b"\x1f\x07\x00", Error.UNKNOWN),
        (b"\x81\x08\x00", Error.UNKNOWN),
        (b"\x04\x09\x00", Error.LENGTH),
        (b"\x01\x0a\x00\x00", Error.LENGTH),
    ):
        port.write(frame(body))
        bench.wait(0.02)
        answers = [decode(b) for b in Deframer().feed(port.read_nowait())]
        refusal = next(a for a in answers if isinstance(a, Msg) and isinstance(a, msg.Refusal))
        assert (refusal.sequence, refusal.to, refusal.code) == (body[1], body[0], code)


def test_board_without_power_does_not_answer(open_sim) -> None:
    bench = open_sim("[board.hand]")
    bench.power_off(Role.HAND)
    bench.wait(1.0)
    with pytest.raises(NoAnswer):
        bench.boards[Role.HAND].ask(msg.Clock())


def test_kinds_follow_what_hangs_on_the_outputs(open_sim) -> None:
    board = open_sim("[board.craft]").boards[Role.CRAFT]
    assert [board.read_pulse_kind(n) for n in (1, 2, 3)] == [PulseKind.SERVO, PulseKind.MOTOR, PulseKind.NONE]
