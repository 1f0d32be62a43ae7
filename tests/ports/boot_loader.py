"""A boot loader that speaks STK500, scripted, with the board that it starts afterwards.

Commands and answers: application note AVR061 (STK500 communication protocol), as far as a boot loader has them.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable

from .scripted import ScriptedBoard

OK_IN_SYNC, END = b"\x14", b"\x10"
EOP = 0x20
#: fixed lengths of the commands' parameters, without the end mark
LENGTHS = {0x30: 0, 0x41: 1, 0x42: 20, 0x45: 5, 0x50: 0, 0x51: 0, 0x55: 2, 0x56: 4, 0x74: 3, 0x75: 0}
PROGRAM_PAGE = 0x64


class BootLoader:
    """Answers at one speed only; after the programmer has left, the board it has been given runs.

    speed: told by the far end's terminal settings. signature: of the chip. bad_byte: address that reads back wrong.
    """

    def __init__(
        self, speed: Callable[[], int | None], at: int, signature: bytes = b"\x1e\x95\x0f", bad_byte: int = -1
    ) -> None:
        self.flash = bytearray(b"\xff" * 32768)
        self.board = ScriptedBoard()
        self.running = False
        self._speed, self._at = speed, at
        self._signature, self._bad_byte = signature, bad_byte
        self._rest = b""
        self._address = 0
        self._highest = 0

    def feed(self, data: bytes) -> bytes:
        if self.running:
            return self.board.feed(data)
        if self._speed() != self._at:
            return b""
        self._rest += data
        out = b""
        while command := self._next():
            out += OK_IN_SYNC + self._answer(command) + END
        return out

    def _next(self) -> bytes:
        """One whole command without its end mark, b"" when there is none yet."""
        while self._rest:
            length = self._length()
            if length is None or len(self._rest) < length + 2:
                return b""
            command, end, self._rest = self._rest[: length + 1], self._rest[length + 1], self._rest[length + 2 :]
            if end == EOP:
                return command
        return b""

    def _length(self) -> int | None:
        if self._rest[0] != PROGRAM_PAGE:
            return LENGTHS.get(self._rest[0], 0)
        return None if len(self._rest) < 3 else 3 + int.from_bytes(self._rest[1:3], "big")

    def _answer(self, command: bytes) -> bytes:
        kind, body = command[0], command[1:]
        if kind == 0x55:
            self._address = 2 * int.from_bytes(body, "little")
        elif kind == PROGRAM_PAGE:
            page = body[3:]
            self.flash[self._address : self._address + len(page)] = page
            self._highest = max(self._highest, self._address + len(page))
        elif kind == 0x74:
            return self._read(int.from_bytes(body[:2], "big"))
        elif kind == 0x51:
            self.running = self._highest > 0  # with an empty flash the boot loader is all there is
            self.board.image_crc = zlib.crc32(self.flash[: self._highest].rstrip(b"\xff"))
        return {0x41: b"\x04", 0x56: b"\x00", 0x75: self._signature}.get(kind, b"")

    def _read(self, count: int) -> bytes:
        page = bytearray(self.flash[self._address : self._address + count])
        if self._address <= self._bad_byte < self._address + count:
            page[self._bad_byte - self._address] ^= 0x01
        return bytes(page)
