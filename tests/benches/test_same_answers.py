"""The modelled firmware is a verified fake: the same script of requests gets the same answers from both benches."""

from __future__ import annotations

from typing import Any

import pytest

from benchctl.errors import Refused
from benchctl.stages import transceiver_lines
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.base import Request
from benchctl.wire.catalogue import SETTINGS, Function, GuardState

BOTH = """
name = "both"
pair = "mudlark"
[board.hand]
[board.craft]
"""
DROOP = {"load": 9, "source": 0, "first_us": 0, "step_us": 20, "points": 1, "repeats": 1, "settle_ms": 1, "prescaler": 4}
#: what both benches are asked, in this order
SCRIPT: list[tuple[Role, Request[Any]]] = [
    (Role.HAND, msg.Echo(data=bytes(range(40)))),
    *((Role.HAND, msg.SettingRead(key=s.key)) for s in SETTINGS if s.name not in ("label", "self_stimulus")),
    *((Role.CRAFT, msg.SettingRead(key=64 + f)) for f in Function),
    (Role.CRAFT, msg.SettingRead(key=200)),
    (Role.CRAFT, msg.SettingWrite(key=11, data=(20).to_bytes(2, "little"))),
    (Role.CRAFT, msg.SettingWrite(key=11, data=b"\x01")),
    (Role.CRAFT, msg.SettingWrite(key=11, data=(400).to_bytes(2, "little"))),
    (Role.CRAFT, msg.SettingRead(key=11)),
    (Role.HAND, msg.Pin(function=200, mode=0)),
    (Role.HAND, msg.Pin(function=Function.LED, mode=9)),
    *((Role.HAND, msg.Look(pin=pin, mode=mode)) for pin in (0x35, 0x33, 0x32, 0x10, 0x30, 0x16, 0x48, 0xFF) for mode in range(5)),
    (Role.CRAFT, msg.Look(pin=0x12, mode=2)),
    (Role.CRAFT, msg.Look(pin=0x12, mode=3)),
    (Role.HAND, msg.Pin(function=Function.STIMULUS, mode=0)),
    (Role.CRAFT, msg.Pin(function=Function.PULSE2, mode=3)),
    (Role.HAND, msg.RadioSpi(data=b"\xff")),
    (Role.HAND, msg.RadioSpi(data=b"\x25\x2a")),
    (Role.HAND, msg.RadioSpi(data=b"\x05\xff")),
    (Role.HAND, msg.RadioSpi(data=b"\x0a" + b"\xff" * 5)),
    (Role.HAND, msg.RadioApply()),
    (Role.CRAFT, msg.RadioApply()),
    (Role.CRAFT, msg.GuardRead()),
    (Role.CRAFT, msg.Stop(silent=0)),
    (Role.CRAFT, msg.Throttle(channel=2, permille=100, number=1)),
    (Role.CRAFT, msg.Arm(channel=2, nonce=1, label="mudlark-craft-01", cap_permille=300)),
    (Role.CRAFT, msg.Pulse(channel=2, width_us=1500)),
    (Role.CRAFT, msg.Pulse(channel=9, width_us=1500)),
    (Role.CRAFT, msg.Pulse(channel=1, width_us=1500)),
    (Role.CRAFT, msg.TwiScan(slow=0)),
    (Role.CRAFT, msg.TwiRead(address=0x68, reg=0x75, count=1)),
    (Role.CRAFT, msg.TwiRead(address=0x50, reg=0, count=1)),
    (Role.HAND, msg.Watch(function=Function.SWITCH1, on=1)),
    (Role.HAND, msg.Watch(function=Function.SWITCH1, on=0)),
    (Role.HAND, msg.EnergyScan(first=5, last=2, dwell_us=200, sweeps=1)),
    (Role.HAND, msg.EnergyScan(first=0, last=2, dwell_us=10, sweeps=1)),
    (Role.HAND, msg.LinkStart(mode=9, test=1, count=1, interval_us=0, payload=8)),
    (Role.HAND, msg.LinkStart(mode=1, test=1, count=1, interval_us=0, payload=40)),
    (Role.HAND, msg.LinkStop()),
    (Role.HAND, msg.Adc(source=0, prescaler=1, count=10, gap_us=0)),
    (Role.HAND, msg.Droop(**DROOP)),
    (Role.HAND, msg.SelfStimulus(function=Function.LED, presses=1, down_us=1000, up_us=1000)),
]
#: fields that are measured and so differ
MEASURED = {"age_ms", "radio_age_ms"}


def ask_all(bench: Any) -> list[tuple[str, Any]]:
    out: list[tuple[str, Any]] = []
    for board in bench.boards.values():
        board.open()
    for role, request in SCRIPT:
        try:
            answer = bench.boards[role].ask(request)
            kept = {k: v for k, v in answer.fields.items() if k not in MEASURED}
            out.append((f"{role} {request}", (kept, getattr(answer, "data", b"").hex())))
        except Refused as e:
            out.append((f"{role} {request}", e.code))
        bench.wait(0.03)
    return out


def test_the_same_script_gets_the_same_answers(open_bench) -> None:
    """Values, refusals and their codes, request by request."""
    sim, avr = (ask_all(open_bench(kind, BOTH)) for kind in ("sim", "avr"))

    differing = [f"{a[0]}: sim {a[1]}, avr {b[1]}" for a, b in zip(sim, avr, strict=True) if a != b]
    assert not differing, "\n".join(differing)


@pytest.mark.parametrize("role", [Role.HAND, Role.CRAFT])
def test_same_identity(open_bench, role: Role) -> None:
    """Firmware, image, label, clock and signature are the same; the modelled image is the shipped one."""
    seen = []
    for kind in ("sim", "avr"):
        bench = open_bench(kind, BOTH)
        board = bench.boards[role]
        board.open()
        while not board.identify().image_crc:
            bench.wait(0.1)
        i = board.identity
        seen.append((i.protocol, i.firmware, i.image_crc, i.clock_hz, i.signature, i.cause, i.settings_ok))

    assert seen[0] == seen[1]


def test_the_guard_answers_the_same_way(open_bench) -> None:
    """Challenge, wrong nonce, right nonce, throttle, number repeated, stop: the same states on both."""
    seen = []
    for kind in ("sim", "avr"):
        bench = open_bench(kind, BOTH)
        craft = bench.boards[Role.CRAFT]
        craft.open()
        craft.write_setting("label", "mudlark-craft-01")
        craft.write_setting("role", 1)
        states: list[Any] = []

        def ask(request: Request[Any], craft: Any = craft, states: list[Any] = states) -> Any:
            try:
                answer = craft.ask(request)
                states.append((request.NAME, answer.state))
                return answer
            except Refused as e:
                states.append((request.NAME, e.code))
                return None

        nonce = ask(msg.ArmChallenge(channel=2, radio=0))
        ask(msg.Arm(channel=2, nonce=(nonce.nonce ^ 5) if nonce else 0, label="mudlark-craft-01", cap_permille=300))
        ask(msg.GuardRead())
        nonce = ask(msg.ArmChallenge(channel=2, radio=0))
        ask(msg.Arm(channel=2, nonce=nonce.nonce if nonce else 0, label="mudlark-craft-01", cap_permille=300))
        ask(msg.Throttle(channel=2, permille=50, number=1))
        ask(msg.Throttle(channel=2, permille=50, number=1))
        ask(msg.GuardRead())
        nonce = ask(msg.ArmChallenge(channel=2, radio=0))
        ask(msg.Arm(channel=2, nonce=nonce.nonce if nonce else 0, label="mudlark-craft-01", cap_permille=300))
        ask(msg.Throttle(channel=2, permille=900, number=1))
        ask(msg.Stop(silent=0))
        ask(msg.GuardRead())
        seen.append(states)

    assert seen[0] == seen[1]
    assert seen[1][-1] == ("guard_read", GuardState.IDLE)


def test_an_interrupt_left_pending_is_no_shorted_line(open_bench, kind: str) -> None:
    """What an earlier stage sent to nobody still pulls IRQ low when the lines are looked at."""
    bench = open_bench(kind, BOTH)
    craft = bench.boards[Role.CRAFT]
    craft.open()
    transceiver_lines.start_sending(craft, bench.wait)
    assert transceiver_lines.pin(craft, Function.RADIO_IRQ, transceiver_lines.PULL_UP) == 0

    seen = transceiver_lines.examine(craft, bench.wait)

    assert seen.irq_idle == 1
    assert transceiver_lines.broken_line(seen) is None
