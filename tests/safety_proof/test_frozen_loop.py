"""A main loop that hangs while the motor turns: the millisecond interrupt cuts, the watchdog restarts, idle follows.

The probe cannot be made to hang from outside, so the image is built with a request that does.
"""

from __future__ import annotations

from needs import need_program
from proof_rig import Rig
from seeded import Defect, build
from telling import IDLE_US, live, stays_idle

from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import ResetCause

HANG = Defect(
    "hangs when asked to blink 90 times",
    "firmware_probe/board.cpp",
    "uint8_t on_led(const Request &r) {\n",
    "uint8_t on_led(const Request &r) {\n  while (r.fields[0] == 90) {\n  }\n",
)
#: the guard's limit for a turn of the main loop, and of the watchdog (4 % to 20 % early or late over temperature and
#: supply; data sheet, typical characteristics, from memory)
LOOP_S, WATCHDOG_S = 0.100, 0.250


def test_a_frozen_main_loop(avr: str, rig) -> None:
    need_program("avr-g++")
    r: Rig = rig("avr", images={Role.CRAFT: str(build(HANG))})
    live(r, 150, 0.5)
    r.heard.clear()
    asked = r.now()
    r.ask(msg.Led(blinks=90, on_ms=100, off_ms=100))
    r.wait(1.0)

    assert max(p.rose for p in r.pulses.above(IDLE_US)) <= asked + LOOP_S + 0.004
    boot = next(m for m in r.heard if isinstance(m, msg.Boot))
    assert boot.cause == ResetCause.WATCHDOG
    assert boot.uptime_ms < 1e3 * (asked + WATCHDOG_S * 1.2)
    stays_idle(r)
