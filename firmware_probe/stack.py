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

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE))

import images  # noqa: E402

#: bytes that must never have been touched: room for coincidences that this run has not met
NEVER_TOUCHED_LEAST = 500


def exercise(hand: Any, craft: Any, wait: Any) -> None:
    """The deepest chains of calls and interrupts: bus, six pulses, loop, motor, saving, droop, a full frame."""
    craft.ask("twi_scan", timeout=1.0)
    craft.ask("twi_read", address=0x68, reg=0x3B, count=14)
    craft.ask("pulse", channel=1, width_us=1500)
    for channel, pin in ((3, 0x21), (4, 0x23), (5, 0x33), (6, 0x35)):
        craft.write_pin(Function(Function.PULSE1 + channel - 1), pin)
        craft.write_pulse_kind(channel, PulseKind.SERVO)
        craft.ask("pulse", channel=channel, width_us=1500)
    for board in (hand, craft):
        board.write_setting("debounce_us", 0)
        board.ask("loop_start", trace=1)
    hand.ask("self_stimulus", function=1, presses=5, down_us=5000, up_us=5000)
    craft.ask("imu_stream", address=0x68, interval_us=2000, count=50)
    craft.save_settings()
    _drive(craft, wait)
    for board in (hand, craft):
        board.ask("loop_stop")
    fields = {"load": 1, "source": 0, "first_us": 20, "step_us": 50, "points": 5, "settle_ms": 1, "prescaler": 4}
    craft.ask("droop", **fields, also={"repeats": 2})
    wait(0.2)
    craft.ask("echo", data=bytes(97))


def _drive(craft: Any, wait: Any) -> None:
    nonce = craft.ask("arm_challenge", channel=2, radio=0).nonce
    craft.ask("arm", channel=2, nonce=nonce, label=craft.identity.label)
    for number in range(1, 6):
        craft.ask("throttle", channel=2, permille=100, number=number, repeats=0)
        wait(0.1)
    craft.ask("stop")


def never_touched(image: Path, clock_hz: int) -> int:
    """The least of both boards that carry the image."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stack.toml"
        boards = "".join(f'[board.{r}]\nlabel = "mudlark-{r}-01"\nclock_hz = {clock_hz}\n' for r in ("hand", "craft"))
        path.write_text(f'name = "stack"\nkind = "avr"\n{boards}', encoding="utf-8")
        bench: Any = open_bench(str(path), images=dict.fromkeys((Role.HAND, Role.CRAFT), str(image)))
    try:
        hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
        for board in (hand, craft):
            board.open()
        exercise(hand, craft, bench.wait)
        return min(board.ask("vitals").stack_free for board in (hand, craft))
    finally:
        bench.close()


def check(build: Path, least: int = NEVER_TOUCHED_LEAST) -> int:
    """Print the figures; 1 when fewer than `least` bytes are left untouched."""
    bad = 0
    for clock in images.CLOCKS:
        name = f"probe_{clock}mhz"
        left = images.RAM - images.sizes(build / f"{name}.elf")[1]
        free = never_touched(build / f"{name}.hex", clock * 1_000_000)
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
    from benchctl.wire.catalogue import Function, PulseKind

    missing = available()
except ModuleNotFoundError as e:
    missing = f"{e}; `make PYTHON=...` names a Python that has benchctl's packages"

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
