"""The reset cause from MCUSR, from what the boot loader handed on, from RAM.

Flag masks: ATmega328P data sheet, section "MCU Status Register": PORF 1, EXTRF 2, BORF 4, WDRF 8.
"""

import pytest

from benchctl.wire.catalogue import CauseFrom, ResetCause

P, E, B, W = 1, 2, 4, 8
FLAGS, LOADER, INFERRED, NOTHING = CauseFrom.FLAGS, CauseFrom.LOADER, CauseFrom.INFERRED, CauseFrom.NOTHING
LOST, KEPT = 0, 1
NO_INTENT, ASKED, STACK = 0, 1, 2


@pytest.mark.parametrize(
    ("mcusr", "loader", "ram", "intent", "loop_age", "cause", "source"),
    [
        (P, 0, LOST, NO_INTENT, 0, ResetCause.POWER_ON, FLAGS),
        (P | B, 0, LOST, NO_INTENT, 0, ResetCause.POWER_ON, FLAGS),
        (B, 0, KEPT, NO_INTENT, 0, ResetCause.BROWN_OUT, FLAGS),
        (B, 0, LOST, NO_INTENT, 0, ResetCause.BROWN_OUT, FLAGS),
        (E, 0, KEPT, NO_INTENT, 0, ResetCause.EXTERNAL, FLAGS),
        (E | W, 0, KEPT, NO_INTENT, 0, ResetCause.EXTERNAL, FLAGS),
        (W, 0, KEPT, NO_INTENT, 255, ResetCause.WATCHDOG, FLAGS),
        (W, 0, KEPT, ASKED, 0, ResetCause.REQUESTED, FLAGS),
        (W, 0, KEPT, STACK, 0, ResetCause.STACK, FLAGS),
        (W, 0, LOST, ASKED, 0, ResetCause.WATCHDOG, FLAGS),
        # flags cleared by a boot loader that hands them on
        (0, E, KEPT, NO_INTENT, 0, ResetCause.EXTERNAL, LOADER),
        (0, W, KEPT, ASKED, 0, ResetCause.REQUESTED, LOADER),
        (0, P, LOST, NO_INTENT, 0, ResetCause.POWER_ON, LOADER),
        # the register holds anything: not possible flags, or at odds with the RAM
        (0, 0x5A, LOST, NO_INTENT, 0, ResetCause.POWER_ON, INFERRED),
        (0, P, KEPT, ASKED, 0, ResetCause.REQUESTED, INFERRED),
        (0, E, LOST, NO_INTENT, 0, ResetCause.POWER_ON, INFERRED),
        (0, 0, KEPT, NO_INTENT, 230, ResetCause.WATCHDOG, INFERRED),
        (0, 0, KEPT, NO_INTENT, 3, ResetCause.UNKNOWN, NOTHING),
    ],
)
def test_cause(probe, mcusr, loader, ram, intent, loop_age, cause, source):
    found = probe.cause(mcusr, loader, ram, intent, loop_age)

    assert (ResetCause(found >> 8), CauseFrom(found & 0xFF)) == (cause, source)
