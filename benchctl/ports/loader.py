"""Is there a boot loader on this port, waiting for a program? Asks for synchronisation as a programmer does.

Commands and answers: application note AVR061 (STK500 communication protocol), section 4.1.
"""

from __future__ import annotations

from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort

#: speeds of the boot loaders that such boards come with, newest first (boards.txt of Debian's arduino-core-avr: the
#: first three); 38400 is in use where 57600 is too far off at 8 MHz (common practice, no source)
SPEEDS = (115_200, 57_600, 19_200, 38_400)
_GET_SYNC, _IN_SYNC_OK = b"\x30\x20", b"\x14\x10"
#: s: how long it is asked after the reset, and how often; a loader listens for half a second at least
_ASKED_S, _EVERY_S = 0.6, 0.1
#: s: a port stays closed for so long before it is opened again, so that the board is seen to restart
APART_S = 0.1


def answers(port: SerialPort) -> bool:
    """Whether a boot loader answers on a port that has just been opened, which resets the board. Raises PortLost."""
    clock = WallClock()
    port.wake = clock.wake
    deadline, heard = clock.now() + _ASKED_S, b""
    while clock.now() < deadline:
        port.write(_GET_SYNC)
        clock.wait(_EVERY_S)
        heard += port.read_nowait()
        if _IN_SYNC_OK in heard:
            return True
    return False
