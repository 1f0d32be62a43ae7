"""The firmware's parts put together, in the order in which they start."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.sim.peers import Peers, Receiver
from benchctl.sim.probe import Probe
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_link import Link
from benchctl.sim.probe_radio import Radio


def add_groups(probe: Probe, peers: Peers) -> Callable[[], Receiver | None]:
    """Give the probe all its requests and send its boot message; returns who takes packets at present."""
    base = Base(probe)
    radio = Radio(probe, base)
    link = Link(probe, radio, peers)
    for group in (base, radio, link):
        probe.add(group)
    base.boot()
    return lambda: radio.on_packet
