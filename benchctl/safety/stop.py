"""The stop: pre-encoded frames, sent from any thread, ahead of anything queued.

This is an operating stop (stop category 1 of IEC 60204-1: brought to rest under control, then powered down; from
memory). It is no emergency-stop device: that is the battery plug or the supply switch within reach.
"""

from __future__ import annotations

from collections.abc import Iterable

from benchctl.errors import PortLost
from benchctl.session.port import Port
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode

#: number 0 is never used for other requests, so the answers to it are told apart and dropped
STOP_FRAME = frame(encode("stop", 0, {}))
#: each stop is sent this often at once: one damaged byte must not lose it
COPIES = 3


def stop_ports(ports: Iterable[Port]) -> list[str]:
    """Send the stop on every port; a port that is gone does not keep the others from theirs.

    Returns the sentences of ports that could not be written: their boards go idle by their own keep-alive.
    """
    lost = []
    for port in ports:
        try:
            port.urgent(STOP_FRAME * COPIES)
        except PortLost as e:
            lost.append(str(e))
    return lost
