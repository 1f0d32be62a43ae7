"""The host's end of a simulated chip's serial line (`session.port.Port`)."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.avr.board import ChipOnBoard
from benchctl.errors import PortLost, Stopped
from benchctl.parts.agenda import Agenda
from benchctl.parts.serial_line import SerialLine

#: from the host's write to the first start bit: a request finds the USB pipe idle; no source
HOST_DELAY = 125e-6


class AvrPort:
    """One board's port. It is lost while the board is unplugged.

    arrived: told when bytes have reached the host. wake: told from any thread when urgent bytes wait for `flush`.
    """

    def __init__(
        self,
        name: str,
        unit: ChipOnBoard,
        agenda: Agenda,
        chance: random.Random,
        arrived: Callable[[], object],
        wake: Callable[[], object],
    ) -> None:
        self.name = name
        self._unit = unit
        self._agenda = agenda
        self._arrived = arrived
        self._wake = wake
        self._waiting = bytearray()
        self._urgent: list[bytes] = []
        self._closed = self._shut = False
        spec = unit.board.spec
        unit.chip.set_baud(spec.baud)
        self._cable = SerialLine(spec.serial, agenda, chance, self._reaches_host, self._reaches_board)

    # ---- the host's side

    def write(self, data: bytes) -> None:
        """Queue bytes towards the board. Raises PortLost, Stopped once `shut`."""
        self._refuse_if_gone()
        if self._shut:
            raise Stopped("the run has been stopped: nothing but stops is sent any more")
        self._cable.from_host(data, self._agenda.now + HOST_DELAY)

    def urgent(self, data: bytes) -> bool:
        """From any thread: on the line at the next step, ahead of what is queued. Raises PortLost."""
        self._refuse_if_gone()
        self._urgent.append(data)
        self._wake()
        return True

    def shut(self) -> None:
        """From any thread: what is under way to the chip, and what would be, does not reach it any more."""
        self._shut = True

    def read_nowait(self) -> bytes:
        """All bytes that have come in. Raises PortLost when the board is unplugged and everything has been read."""
        if not self._waiting:
            self._refuse_if_gone()
            return b""
        data = bytes(self._waiting)
        self._waiting.clear()
        return data

    def reset(self) -> None:
        """Pulse the reset line, as DTR does."""
        self._refuse_if_gone()
        self._unit.pulse_reset()

    def close(self) -> None:
        self._closed = True

    @property
    def plugged(self) -> bool:
        return self._unit.board.powered

    def _refuse_if_gone(self) -> None:
        if self._closed or not self.plugged:
            raise PortLost(f"{self.name}: the port is gone")

    def set_baud(self, baud: int) -> None:
        self._unit.chip.set_baud(baud)

    def forget(self) -> None:
        """Drop all that has come in."""
        self._unit.chip.receive_bytes()
        self._waiting.clear()

    # ---- the chip's side

    def flush(self) -> None:
        """Urgent bytes onto the line, in the thread that runs the chips."""
        while self._urgent:
            data = self._urgent.pop(0)
            if self.plugged:
                self._unit.allowance.to_board(data, self._agenda.now)
                self._unit.chip.send_first(data, self._agenda.now)

    def collect(self) -> None:
        """What the chip has sent goes into the cable; bytes that an unplugged board sends go nowhere."""
        data, time = self._unit.chip.receive_until()
        if data and self.plugged:
            self._unit.allowance.from_board(data, time)
            self._cable.from_board(data, time)

    def _reaches_host(self, data: bytes, time: float) -> None:
        if self.plugged and not self._closed:
            self._waiting += data
            self._arrived()

    def _reaches_board(self, data: bytes, time: float) -> None:
        if not self._shut:
            self._unit.allowance.to_board(data, time)
            self._unit.chip.send(data, time)
