"""A board's serial line at full rate: a pseudo-terminal that a process of its own fills, for tests and benchmarks.

The sender's clock stands while the machine gives it no time, as a line's would not but a simulated one may: so what is
lost is what the reader left no room for, however busy the machine is. How far the rate fell behind is told.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tty
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from benchctl.wire import msg
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode

RATE = 200_000  # bytes a second; a line of 2 Mbaud is full then
_ROWS = 7  # rows in a record event, as the firmware packs them
_TICK_S = 0.002  # a sender's step; USB serial chips deliver about as often
_MOST_TICKS = 5  # more at once would be a burst that no line delivers
#: s without a byte after the senders have ended, until the rest counts as lost
_QUIET_S = 5.0

#: bytes that Linux keeps of a serial port whose program does not read: 64 kB, newer versions 640; of a pseudo-terminal it
#: keeps 8 (tty_buffer.c and pty.c, from memory), so the sender keeps the rest
_KEPT = 65_536

_SENDER = """
import json, os, sys, time
rate, tick, most, kept = float(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])
data = sys.stdin.buffer.read()
os.set_blocking(1, False)
at, lost, due, began = 0, 0, 0.0, time.monotonic()
last = began
while at < len(data):
    now = time.monotonic()
    due = min(float(len(data)), due + rate * min(now - last, most * tick))
    last = now
    try:
        while at < int(due):
            at += os.write(1, data[at:int(due)])
    except BlockingIOError:
        excess = int(max(0.0, due - at - kept))
        at, lost = at + excess, lost + excess
    time.sleep(tick)
sys.stderr.write(json.dumps({"lost": lost, "share": len(data) / rate / (time.monotonic() - began)}))
"""


def wire_bytes(seconds: float) -> tuple[bytes, int]:
    """Numbered record events for that long at full rate, and how many."""
    out, size, number = [], 0, 0
    while size < RATE * seconds:
        rows = [(number * _ROWS + i & 0xFFFF, 1000 * i, 1000 * i + 260, 1000 * i + 600, 16) for i in range(_ROWS)]
        out.append(frame(encode(msg.LinkSent(test=1, rows=rows), number & 0xFFFF)))
        size += len(out[-1])
        number += 1
    return b"".join(out), number


@dataclass(frozen=True)
class Sent:
    """lost: bytes that found no room. share: of the full rate that the machine let the sender keep."""

    lost: int
    share: float


class FullLine:
    """One line. name: of the port to open. Sends from `start` on."""

    def __init__(self, ours: int, name: str, loses: bool) -> None:
        self.name = name
        command = [sys.executable, "-c", _SENDER, *map(str, (RATE, _TICK_S, _MOST_TICKS, _KEPT if loses else "inf"))]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=ours, stderr=subprocess.PIPE)

    def start(self, data: bytes) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(data)
        self._process.stdin.close()

    @property
    def ended(self) -> bool:
        """Everything has been sent, or lost."""
        return self._process.poll() is not None

    def sent(self) -> Sent:
        """Waits for the end."""
        assert self._process.stderr is not None
        with self._process.stderr:
            told = json.loads(self._process.stderr.read())
        self._process.wait()
        return Sent(told["lost"], told["share"])


@contextmanager
def full_lines(count: int, *, loses: bool) -> Iterator[list[FullLine]]:
    """So many lines. loses: what finds no room is lost, as on a serial line; else it waits for room."""
    with ExitStack() as stack:
        lines = []
        for _ in range(count):
            ours, theirs = os.openpty()
            stack.callback(os.close, ours)
            tty.setraw(theirs)
            name = os.ttyname(theirs)
            os.close(theirs)
            lines.append(FullLine(ours, name, loses))
        yield lines


def drain(lines: list[FullLine], wait_input: Callable[[float], bool], take: Callable[[], int], size: int) -> None:
    """Call `take`, which gives the bytes taken in so far, until `size` are there, or all senders have ended and nothing
    comes any more. `wait_input(seconds)` waits for more, and says whether some has come."""
    while take() < size:
        ended = all(line.ended for line in lines)
        if not wait_input(_QUIET_S) and ended:
            return
