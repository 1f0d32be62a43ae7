"""The table kind -> stage, written out by hand: a new stage is a file and a line here."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.stages import (
    before_power,
    button_to_led,
    controls,
    esc_arming,
    gauge_cut_off,
    gauge_joystick_to_pulse,
    gauge_switch_to_led,
    gauge_wiring,
    identity,
    inertial,
    joystick_to_servo,
    link_loss_cut,
    load_hunt,
    radio_link,
    soak,
    supply,
    throttle_ramp,
    transceiver,
)
from benchctl.stages.contract import Stage

KINDS: Mapping[str, Stage] = {
    s.kind: s
    for s in (
        before_power.STAGE,
        identity.STAGE,
        supply.STAGE,
        transceiver.STAGE,
        radio_link.STAGE,
        controls.STAGE,
        button_to_led.STAGE,
        joystick_to_servo.STAGE,
        inertial.STAGE,
        esc_arming.STAGE,
        throttle_ramp.STAGE,
        link_loss_cut.STAGE,
        load_hunt.STAGE,
        soak.STAGE,
        gauge_wiring.STAGE,
        gauge_switch_to_led.STAGE,
        gauge_joystick_to_pulse.STAGE,
        gauge_cut_off.STAGE,
    )
}
