"""The table kind -> stage, written out by hand: a new stage is a file and a line here."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.stages import (
    before_power,
    button_to_led,
    controls,
    esc_arming,
    find_channel,
    find_wiring,
    gauge_cut_off,
    gauge_joystick_to_pulse,
    gauge_switch_to_led,
    gauge_wiring,
    identity,
    inertial,
    joystick_to_servo,
    link_loss_cut,
    load_hunt,
    outputs,
    press_parts,
    radio_link,
    soak,
    supply,
    teach_esc,
    throttle_ramp,
    transceiver,
)
from benchctl.stages.contract import Stage

KINDS: Mapping[str, Stage] = {
    s.kind: s
    for s in (
        find_wiring.HAND_STAGE,
        find_wiring.CRAFT_STAGE,
        find_channel.STAGE,
        before_power.STAGE,
        identity.STAGE,
        outputs.STAGE,
        supply.STAGE,
        transceiver.STAGE,
        radio_link.STAGE,
        controls.STAGE,
        button_to_led.STAGE,
        joystick_to_servo.STAGE,
        inertial.STAGE,
        teach_esc.STAGE,
        esc_arming.STAGE,
        throttle_ramp.STAGE,
        link_loss_cut.STAGE,
        load_hunt.STAGE,
        press_parts.STAGE,
        soak.STAGE,
        gauge_wiring.STAGE,
        gauge_switch_to_led.STAGE,
        gauge_joystick_to_pulse.STAGE,
        gauge_cut_off.STAGE,
    )
}
