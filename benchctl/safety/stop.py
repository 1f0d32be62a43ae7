"""The stop: pre-encoded frames, sent from any thread, ahead of anything queued.

This is an operating stop (stop category 1 of IEC 60204-1: brought to rest under control, then powered down; from
memory). It is no emergency-stop device: that is the battery plug or the supply switch within reach.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.errors import PortLost
from benchctl.session.port import Port, Reach
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.framing import frame

#: number 0 is never used for other requests, so the answers to it are told apart and dropped
STOP_FRAME = frame(msg.Stop(silent=0).encode())
#: somebody has pressed stop: a motor that turns at its idle pulse is ended by no pulse at all only
QUIET_FRAME = frame(msg.Stop(silent=1).encode())
#: each stop is sent this often at once: one damaged byte must not lose it
COPIES = 3
STOP_BYTES = STOP_FRAME * COPIES
#: why a board was not reached, where its line is there
FULL = "its line takes no bytes"


def stop_ports(ports: Mapping[Role, Port], quiet: bool = False) -> Reach:
    """Send the stop on every port, in one pass that never waits; no port keeps the others from theirs.

    quiet: motor controllers get no pulse any more until they are armed anew. Who is missed goes idle by its own
    keep-alive.
    """
    reached, missed = [], {}
    for role, port in ports.items():
        try:
            if port.urgent((QUIET_FRAME if quiet else STOP_FRAME) * COPIES):
                reached.append(role)
            else:
                missed[role] = FULL
        except PortLost as e:
            missed[role] = str(e)
    return Reach(tuple(reached), missed)
