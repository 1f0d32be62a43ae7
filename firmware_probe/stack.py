"""The deepest stack of the built images, measured by its paint on simulated chips while everything happens at once.

    python stack.py BUILD

prints for each image how many bytes no stack has touched; ends with 1 where fewer are left than the limit, and with 0
and a line that says why where nothing can be measured here.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from benchctl.wire import msg

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE))

import images  # noqa: E402

#: bytes that must never have been touched: room for coincidences that this run has not met
NEVER_TOUCHED_LEAST = images.STACK_LEAST


def exercise(hand: Any, craft: Any, wait: Any) -> None:
    """The deepest chains of calls and interrupts: bus, six pulses, loop, motor, saving, droop, a full frame."""
    craft.ask(msg.TwiScan(slow=0), timeout=1.0)
    craft.ask(msg.TwiRead(address=0x68, reg=0x3B, count=14))
    _wire(craft, wait)
    for channel in (1, 3, 4, 5, 6):
        craft.ask(msg.Pulse(channel=channel, width_us=1500))
    for board in (hand, craft):
        board.write_setting("debounce_us", 0)
        board.ask(msg.LoopStart(trace=1))
    hand.ask(msg.SelfStimulus(function=1, presses=5, down_us=5000, up_us=5000))
    craft.ask(msg.ImuStream(address=0x68, interval_us=2000, count=50))
    craft.save_settings()
    _drive(craft, wait)
    for board in (hand, craft):
        board.ask(msg.LoopStop())
    fields = {"load": 1, "source": 0, "first_us": 20, "step_us": 50, "points": 5, "settle_ms": 1, "prescaler": 4}
    craft.ask(msg.Droop(**fields, repeats=2))
    wait(0.2)
    craft.ask(msg.Echo(data=bytes(97)))


def _wire(craft: Any, wait: Any) -> None:
    """Servos on all outputs but the motor's, tried and confirmed."""
    nonce = craft.ask(msg.ArmChallenge(channel=0, radio=0)).nonce
    craft.ask(msg.Arm(channel=0, nonce=nonce, label=craft.identity.label, cap_permille=0))
    for channel, pin in ((3, 0x21), (4, 0x23), (5, 0x33), (6, 0x35)):
        craft.write_pin(Function(Function.PULSE1 + channel - 1), pin)
        craft.write_pulse_kind(channel, PulseKind.SERVO)
    for channel in range(1, 7):
        craft.ask(msg.Output(channel=channel, act=OutputAct.TRY))
        wait(0.52)
        craft.ask(msg.Output(channel=channel, act=OutputAct.CONFIRM))
    craft.ask(msg.Stop(silent=0))


def _drive(craft: Any, wait: Any) -> None:
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label=craft.identity.label, cap_permille=200))
    for number in range(1, 6):
        craft.ask(msg.Throttle(channel=2, permille=100, number=number), repeats=0)
        wait(0.1)
    craft.ask(msg.Stop(silent=0))


def exercise_gauge(gauge: Any, wait: Any) -> None:
    """What a gauge does at once: edges, pulses, a level, conversions, a full frame."""
    for channel in (Function.WATCH1, Function.WATCH2, Function.RESET_WATCH1):
        gauge.ask(msg.Watch(function=channel, on=1))
    gauge.ask(msg.Capture(on=1))
    gauge.ask(msg.StickSet(on=1, x=512, y=0))
    gauge.save_settings()
    gauge.ask(msg.Adc(source=0, prescaler=7, count=50, gap_us=200), timeout=1.0)
    wait(0.2)
    gauge.ask(msg.Echo(data=bytes(97)))


def never_touched(image: Path, kind: str, clock_hz: int) -> int:
    """The least of the boards that carry the image: two of a pair, or the gauge."""
    roles = (Role.GAUGE,) if kind == "gauge" else (Role.HAND, Role.CRAFT)
    with tempfile.TemporaryDirectory() as folder:
        path, clock = Path(folder) / "stack.toml", f"clock_mhz = {clock_hz // 1_000_000}\n"
        if kind == "gauge":  # the only board of that file whose clock it says itself
            text = (HERE.parent / "benchctl/data/benches/black-box.toml").read_text("utf-8")
            path.write_text(text.replace("clock_mhz = 16\n", clock), encoding="utf-8")
        else:
            clocks = "".join(f"[pair.board.{role}]\n{clock}" for role in roles)
            path.write_text(f'name = "stack"\nkind = "avr"\n[pair]\nfrom = "mudlark"\n{clocks}', encoding="utf-8")
        bench: Any = open_bench(str(path), images=dict.fromkeys(roles, str(image)))
    try:
        boards = [bench.boards[role] for role in roles]
        for board in boards:
            board.open()
        (exercise_gauge if kind == "gauge" else exercise)(*boards, bench.wait)
        return min(board.ask(msg.Vitals()).stack_free for board in boards)
    finally:
        bench.close()


def check(build: Path, least: int = NEVER_TOUCHED_LEAST) -> int:
    """Print the figures; 1 when fewer than `least` bytes are left untouched."""
    bad = 0
    for name, kind, clock in images.IMAGES:
        left = images.RAM - images.sizes(build / f"{name}.elf")[1]
        free = never_touched(build / f"{name}.hex", kind, clock * 1_000_000)
        images.say(f"{name}: stack: {free} bytes never touched of {left} (limit {least})")
        bad |= free < least
    return int(bad)


def main(arguments: list[str]) -> int:
    if missing:
        images.say(f"stack: not measured: {missing}")
        return 0
    return check(Path(arguments[0]))


try:
    from benchctl.avr.build_shim import available
    from benchctl.benches import open_bench
    from benchctl.terms import Role
    from benchctl.wire.catalogue import Function, OutputAct, PulseKind

    missing = available()
except ModuleNotFoundError as e:
    missing = f"{e}; `make PYTHON=...` names a Python that has benchctl's packages"

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
