"""The two three-level payload stores of the transceiver (nRF24L01+ Product Specification v1.0, section 8.4)."""

from __future__ import annotations

from typing import NamedTuple

from benchctl.parts.nrf24_registers import FIFO_LEVELS, NO_PIPE


class Upload(NamedTuple):
    """A payload waiting to be sent. pipe: of an acknowledgement payload, None for an ordinary one."""

    payload: bytes
    pid: int
    no_ack: bool
    pipe: int | None


class Received(NamedTuple):
    pipe: int
    payload: bytes


class TxFifo:
    """Payloads to send, first in, first out; acknowledgement payloads are taken per pipe."""

    def __init__(self) -> None:
        self.items: list[Upload] = []
        self.reuse = False

    @property
    def full(self) -> bool:
        """Whether all three levels are taken."""
        return len(self.items) >= FIFO_LEVELS

    def push(self, upload: Upload) -> bool:
        """False when it is full: the payload is dropped."""
        if self.full:
            return False
        self.items.append(upload)
        return True

    def for_pipe(self, pipe: int) -> Upload | None:
        """The oldest acknowledgement payload for a pipe, or None."""
        return next((item for item in self.items if item.pipe == pipe), None)

    def drop(self, upload: Upload) -> None:
        """Take this very payload out, if it is still there."""
        self.items = [item for item in self.items if item is not upload]

    def flush(self) -> None:
        """Drop everything."""
        self.items.clear()
        self.reuse = False


class RxFifo:
    """Payloads received and not yet read."""

    def __init__(self) -> None:
        self.items: list[Received] = []

    @property
    def full(self) -> bool:
        """Whether all three levels are taken."""
        return len(self.items) >= FIFO_LEVELS

    @property
    def pipe(self) -> int:
        """RX_P_NO: pipe of the payload on top."""
        return self.items[0].pipe if self.items else NO_PIPE

    def push(self, pipe: int, payload: bytes) -> bool:
        """Put a payload in; False where there is no room."""
        if self.full:
            return False
        self.items.append(Received(pipe, payload))
        return True

    def top(self) -> bytes:
        """The oldest payload, b"" where there is none."""
        return self.items[0].payload if self.items else b""

    def pop(self) -> None:
        """Drop the oldest payload."""
        if self.items:
            del self.items[0]

    def flush(self) -> None:
        """Drop everything."""
        self.items.clear()
