"""Starts, resets and what outlives them, against what the supply and the lines of the modelled world really did."""

from __future__ import annotations

import pytest

from benchctl.errors import NoAnswer
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import CauseFrom, GuardState, ResetCause

#: MCUSR bits, ATmega328P data sheet, section 10.9
PORF, EXTRF, BORF, WDRF = 1, 2, 4, 8


def test_first_event_after_power_is_boot_by_power_on(open_sim) -> None:
    bench = open_sim("[board.hand]", started=False)
    boot = bench.boards[Role.HAND].wait_event(msg.Boot, 1.0)

    assert boot.sequence == 0
    assert (boot.cause, boot.mcusr, boot.ram_survived, boot.boot_count) == (ResetCause.POWER_ON, PORF, 0, 1)
    # start-up time of 65 ms by the fuses (data sheet, table 9-6) comes before
    assert bench.now() > 0.065


def test_restart_request_is_told_apart_from_a_watchdog(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    bench.wait(1.0)
    asked = board.restart()
    assert (asked.cause, asked.mcusr, asked.ram_survived) == (ResetCause.REQUESTED, WDRF, 1)
    assert asked.uptime_ms == pytest.approx(1300, abs=200)

    bench.chips[Role.HAND].hang()
    board.expects_restart = True
    with pytest.raises(NoAnswer):
        board.ask(msg.Clock(), timeout=0.05, repeats=0)
    boot = board.wait_event(msg.Boot, 1.0)
    assert (boot.cause, boot.mcusr) == (ResetCause.WATCHDOG, WDRF)
    assert boot.boot_count == asked.boot_count + 1


def test_reset_line_restarts_and_the_boot_loader_takes_its_time(open_sim) -> None:
    bench = open_sim("[board.hand]", loader_s=1.5)
    board = bench.boards[Role.HAND]
    before = bench.now()
    boot = board.reset_by_line()

    assert (boot.cause, boot.mcusr, boot.cause_from) == (ResetCause.EXTERNAL, EXTRF, CauseFrom.LOADER)
    assert bench.now() - before == pytest.approx(1.5, abs=0.05)
    bench.chips[Role.HAND].reset(ResetCause.EXTERNAL)
    with pytest.raises(NoAnswer):
        board.ask(msg.Clock(), timeout=0.1)


def test_power_loss_empties_ram_and_a_dip_does_not(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    board.expects_restart = True
    board.events(msg.Boot)
    supply = bench.world.boards[Role.HAND].supply

    # a load that takes the rail below the brown-out level of 2.7 V for 2 ms, and not below 1 V
    supply.set_load("fault", 12.0, bench.now())
    bench.wait(0.002)
    supply.set_load("fault", 0.0, bench.now())
    dip = board.wait_event(msg.Boot, 1.0)
    assert (dip.cause, dip.mcusr, dip.ram_survived) == (ResetCause.BROWN_OUT, BORF, 1)
    assert board.ask(msg.Forensics()).ram_survived == 1

    bench.power_off(Role.HAND)
    bench.wait(2.0)
    bench.power_on(Role.HAND)
    off = board.wait_event(msg.Boot, 1.0)
    assert (off.cause, off.ram_survived, off.uptime_ms) == (ResetCause.POWER_ON, 0, 0)


def test_without_brown_out_detection_a_dip_goes_by(open_sim) -> None:
    bench = open_sim("[board.hand]\nbrown_out_v = 0.0")
    board = bench.boards[Role.HAND]
    supply = bench.world.boards[Role.HAND].supply
    supply.set_load("fault", 12.0, bench.now())
    bench.wait(0.002)
    supply.set_load("fault", 0.0, bench.now())
    bench.wait(0.5)

    assert board.events(msg.Boot) == []
    assert board.ask(msg.Echo(data=b"x")).data == b"x"


def test_boots_are_counted_over_resets_and_power(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    counts = [board.restart().boot_count for _ in range(3)]
    assert counts == [2, 3, 4]
    bench.wait(11.0)  # a life that proves long has its number stored
    bench.power_off(Role.HAND)
    bench.wait(2.0)
    bench.power_on(Role.HAND)
    board.expects_restart = True
    assert board.wait_event(msg.Boot, 1.0).boot_count == 5


def test_transceiver_that_lost_its_supply_is_reported_once_and_set_up_again(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board, world = bench.boards[Role.HAND], bench.world.boards[Role.HAND]
    assert board.ask(msg.RadioApply()).wrong == 0
    bench.wait(0.3)
    assert board.ask(msg.Vitals()).radio_ok == 1
    rail = world.rails["radio"]
    rail.set_load("fault", 1.2, bench.now())  # beyond the regulator's 800 mA: the rail collapses
    bench.wait(0.05)
    rail.set_load("fault", 0.0, bench.now())
    bench.wait(0.5)

    lost = board.events(msg.RadioLost)
    assert len(lost) == 1
    assert lost[0].found != lost[0].expected
    vitals = board.ask(msg.Vitals())
    assert (vitals.radio_ok, vitals.radio_losses) == (1, 1)
    assert board.events(msg.Boot) == []  # the processor ran on


def test_hung_main_loop_goes_idle_at_once_and_restarts_idle(open_sim) -> None:
    bench = open_sim("[board.craft]")
    craft, esc = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].escs["pulse2"]
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300))
    for number in range(1, 20):
        craft.ask(msg.Throttle(channel=2, permille=200, number=number))
        bench.wait(0.1)
    assert esc.above_idle
    hung_at = bench.now()
    bench.chips[Role.CRAFT].hang()
    craft.expects_restart = True
    boot = craft.wait_event(msg.Boot, 1.0)

    assert boot.cause == ResetCause.WATCHDOG
    assert isinstance(boot, msg.Boot)
    bench.wait(0.5)
    # 100 ms for the guard to see it, one frame of 20 ms, one pulse
    assert max(t for t, _ in esc.above_idle) < hung_at + 0.1 + 0.02 + 0.003
    assert craft.ask(msg.GuardRead()).state == GuardState.IDLE
