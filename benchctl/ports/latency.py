"""The latency timer of USB-serial chips: how long they hold back a few bytes before sending them to the host.

16 ms is the usual default and the chip's own least is 1 ms. Each system has its own way to it; all are here.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

#: what the timer is set to where that is allowed
WANTED_MS = 1


def lower(name: str, line: Any, system: str = sys.platform) -> float | None:
    """Set the timer of the chip behind a port to its least; returns what it is now in ms, None where not told."""
    way = _BY_SYSTEM.get(system)
    return way(name, line) if way is not None else None


def sentence(name: str, latency_ms: float | None) -> str:
    """What a person should know of the timer, "" when all is well or nothing is told."""
    if latency_ms is None or latency_ms <= WANTED_MS:
        return ""
    return (
        f"{name}: its USB-serial chip holds bytes back for up to {latency_ms:g} ms and this user may not change that; "
        f"answers take that much longer, what boards time themselves is not touched"
    )


def linux(name: str, line: Any, sys_root: Path = Path("/sys")) -> float | None:
    """Through sysfs where writable, else through the driver's low-latency flag, which needs no rights."""
    file = sys_root / "bus/usb-serial/devices" / os.path.basename(os.path.realpath(name)) / "latency_timer"
    held = _read(file)
    if held is None or held <= WANTED_MS:
        return held
    try:
        file.write_text(f"{WANTED_MS}\n")
    except OSError:
        _ask_driver(line)
    return _read(file)


def _read(file: Path) -> float | None:
    try:
        return float(file.read_text())
    except (OSError, ValueError):
        return None  # no USB-serial chip, or one without such a timer


def _ask_driver(line: Any) -> None:
    try:
        line.set_low_latency_mode(True)
    except (OSError, ValueError, AttributeError, NotImplementedError):
        return  # the driver does not know it; the timer is read back in any case


#: macOS and Windows keep the timer in driver settings that a program cannot reach through the port
_BY_SYSTEM: dict[str, Callable[[str, Any], float | None]] = {"linux": linux}
