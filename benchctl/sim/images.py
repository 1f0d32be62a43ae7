"""What the shipped firmware images say of themselves, so that a modelled board tells the same."""

from __future__ import annotations

from typing import NamedTuple

from benchctl import shipped
from benchctl.terms import Role


class Image(NamedTuple):
    """firmware: major and minor version as in `identify`. crc: of the image. stack: bytes left for it at start.
    kind: for which boards."""

    firmware: int
    crc: int
    stack: int
    kind: str = shipped.KINDS[0]


#: `FIRMWARE_VERSION` of the sources
FIRMWARE = 0x0100
#: where no image is shipped
UNSHIPPED = Image(FIRMWARE, 0x4D55444C, 700)


def image(clock_hz: int, role: Role) -> Image:
    """The shipped image for a processor clock and a role, or stand-in values where the package has none."""
    kind = shipped.kind_for(role)
    for one in shipped.images():
        if one.clock_hz == clock_hz and one.kind == kind:
            return Image(FIRMWARE, int(one.crc, 16), one.stack, kind)
    return UNSHIPPED._replace(kind=kind)
