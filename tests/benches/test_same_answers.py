"""The modelled firmware is a verified fake: the same script of requests gets the same answers from both benches."""

from __future__ import annotations

from typing import Any

import pytest

from benchctl.errors import Refused
from benchctl.stages import transceiver_lines
from benchctl.terms import Role
from benchctl.wire.catalogue import SETTINGS, Function, GuardState

BOTH = """
name = "both"
[board.hand]
[board.craft]
"""
DROOP = {"load": 9, "source": 0, "first_us": 0, "step_us": 20, "points": 1, "repeats": 1, "settle_ms": 1, "prescaler": 4}
#: (role, request, fields, data): what both benches are asked, in this order
SCRIPT: list[tuple[Role, str, dict[str, Any], bytes]] = [
    (Role.HAND, "echo", {}, bytes(range(40))),
    *((Role.HAND, "setting_read", {"key": s.key}, b"") for s in SETTINGS if s.name not in ("label", "self_stimulus")),
    *((Role.CRAFT, "setting_read", {"key": 64 + f}, b"") for f in Function),
    (Role.CRAFT, "setting_read", {"key": 200}, b""),
    (Role.CRAFT, "setting_write", {"key": 11}, (20).to_bytes(2, "little")),
    (Role.CRAFT, "setting_write", {"key": 11}, b"\x01"),
    (Role.CRAFT, "setting_write", {"key": 11}, (400).to_bytes(2, "little")),
    (Role.CRAFT, "setting_read", {"key": 11}, b""),
    (Role.HAND, "pin", {"function": 200, "mode": 0}, b""),
    (Role.HAND, "pin", {"function": Function.LED, "mode": 9}, b""),
    (Role.HAND, "pin", {"function": Function.STIMULUS, "mode": 0}, b""),
    (Role.CRAFT, "pin", {"function": Function.PULSE2, "mode": 3}, b""),
    (Role.HAND, "radio_spi", {}, b"\xff"),
    (Role.HAND, "radio_spi", {}, b"\x25\x2a"),
    (Role.HAND, "radio_spi", {}, b"\x05\xff"),
    (Role.HAND, "radio_spi", {}, b"\x0a" + b"\xff" * 5),
    (Role.HAND, "radio_apply", {}, b""),
    (Role.CRAFT, "radio_apply", {}, b""),
    (Role.CRAFT, "guard_read", {}, b""),
    (Role.CRAFT, "stop", {}, b""),
    (Role.CRAFT, "throttle", {"channel": 2, "permille": 100, "number": 1}, b""),
    (Role.CRAFT, "arm", {"channel": 2, "nonce": 1, "label": "mudlark-craft-01"}, b""),
    (Role.CRAFT, "pulse", {"channel": 2, "width_us": 1500}, b""),
    (Role.CRAFT, "pulse", {"channel": 9, "width_us": 1500}, b""),
    (Role.CRAFT, "pulse", {"channel": 1, "width_us": 1500}, b""),
    (Role.CRAFT, "twi_scan", {}, b""),
    (Role.CRAFT, "twi_read", {"address": 0x68, "reg": 0x75, "count": 1}, b""),
    (Role.CRAFT, "twi_read", {"address": 0x50, "reg": 0, "count": 1}, b""),
    (Role.HAND, "watch", {"function": Function.SWITCH1, "on": 1}, b""),
    (Role.HAND, "watch", {"function": Function.SWITCH1, "on": 0}, b""),
    (Role.HAND, "energy_scan", {"first": 5, "last": 2, "dwell_us": 200, "sweeps": 1}, b""),
    (Role.HAND, "energy_scan", {"first": 0, "last": 2, "dwell_us": 10, "sweeps": 1}, b""),
    (Role.HAND, "link_start", {"mode": 9, "test": 1, "count": 1, "interval_us": 0, "payload": 8}, b""),
    (Role.HAND, "link_start", {"mode": 1, "test": 1, "count": 1, "interval_us": 0, "payload": 40}, b""),
    (Role.HAND, "link_stop", {}, b""),
    (Role.HAND, "adc", {"source": 0, "prescaler": 1, "count": 10, "gap_us": 0}, b""),
    (Role.HAND, "droop", DROOP, b""),
    (Role.HAND, "self_stimulus", {"function": Function.LED, "presses": 1, "down_us": 1000, "up_us": 1000}, b""),
]
#: fields that are measured and so differ
MEASURED = {"age_ms", "radio_age_ms"}


def ask_all(bench: Any) -> list[tuple[str, Any]]:
    out: list[tuple[str, Any]] = []
    for board in bench.boards.values():
        board.open()
    for role, kind, fields, data in SCRIPT:
        try:
            answer = bench.boards[role].ask(kind, data=data, also=fields)
            kept = {k: v for k, v in answer.fields.items() if k not in MEASURED}
            out.append((f"{role} {kind} {fields} {data.hex()}", (kept, answer.data.hex())))
        except Refused as e:
            out.append((f"{role} {kind} {fields} {data.hex()}", e.code))
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

        def ask(request: str, craft: Any = craft, states: list[Any] = states, **fields: Any) -> Any:
            try:
                answer = craft.ask(request, **fields)
                states.append((request, answer.state))
                return answer
            except Refused as e:
                states.append((request, e.code))
                return None

        nonce = ask("arm_challenge", channel=2, radio=0)
        ask("arm", channel=2, nonce=(nonce.nonce ^ 5) if nonce else 0, label="mudlark-craft-01")
        ask("guard_read")
        nonce = ask("arm_challenge", channel=2, radio=0)
        ask("arm", channel=2, nonce=nonce.nonce if nonce else 0, label="mudlark-craft-01")
        ask("throttle", channel=2, permille=50, number=1)
        ask("throttle", channel=2, permille=50, number=1)
        ask("guard_read")
        nonce = ask("arm_challenge", channel=2, radio=0)
        ask("arm", channel=2, nonce=nonce.nonce if nonce else 0, label="mudlark-craft-01")
        ask("throttle", channel=2, permille=900, number=1)
        ask("stop")
        ask("guard_read")
        seen.append(states)

    assert seen[0] == seen[1]
    assert seen[1][-1] == ("guard_read", GuardState.IDLE)


def test_an_interrupt_left_pending_is_no_shorted_line(open_bench, kind: str) -> None:
    """What an earlier stage sent to nobody still pulls IRQ low when the lines are looked at."""
    bench = open_bench(kind, BOTH)
    craft = bench.boards[Role.CRAFT]
    craft.open()
    transceiver_lines._start_sending(craft, bench.wait)
    assert transceiver_lines.pin(craft, Function.RADIO_IRQ, transceiver_lines.PULL_UP) == 0

    seen = transceiver_lines.examine(craft, bench.wait)

    assert seen.irq_idle == 1
    assert transceiver_lines.broken_line(seen) == ("", "")
