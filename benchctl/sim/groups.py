"""The firmware's parts put together, in the order in which they start."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.sim.edges import Lines
from benchctl.sim.loads import Loads
from benchctl.sim.peers import Peers, Receiver
from benchctl.sim.probe import Group, Probe
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_controls import Controls, Stick
from benchctl.sim.probe_imu import Sensor
from benchctl.sim.probe_link import Link
from benchctl.sim.probe_loop import Loop
from benchctl.sim.probe_outputs import Outputs
from benchctl.sim.probe_radio import Radio
from benchctl.sim.probe_relay import Relay
from benchctl.sim.probe_supply import Supply


def add_groups(probe: Probe, peers: Peers) -> Callable[[], Receiver | None]:
    """Give the probe all its requests and send its boot message; returns who takes packets at present."""
    base = Base(probe)
    radio = Radio(probe, base)
    link = Link(probe, radio, peers)
    outputs = Outputs(probe, base)
    supply = Supply(probe, Loads(probe, base, radio, outputs))
    lines, stick = Lines(probe), Stick(probe)
    controls = Controls(probe, lines, stick)
    loop = Loop(probe, base, radio, outputs, lines, stick, peers)
    groups: tuple[Group, ...] = (base, radio, link, outputs, supply, controls, loop, Sensor(probe))
    for group in groups:
        probe.add(group)
    base.boot()
    Relay(probe, base, radio)
    return lambda: radio.on_packet
