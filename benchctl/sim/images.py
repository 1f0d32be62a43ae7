"""What the shipped firmware images say of themselves, so that a modelled board tells the same."""

from __future__ import annotations

import json
from typing import NamedTuple

from benchctl.shipped import IMAGES


class Image(NamedTuple):
    """firmware: major and minor version as in `identify`. crc: of the image. stack: bytes left for it at start."""

    firmware: int
    crc: int
    stack: int


#: `FIRMWARE_VERSION` of the sources
FIRMWARE = 0x0100
#: where no image is shipped
UNSHIPPED = Image(FIRMWARE, 0x4D55444C, 700)


def image(clock_hz: int) -> Image:
    """The shipped image for a processor clock, or stand-in values where the package has none."""
    manifest = IMAGES / "manifest.json"
    if not manifest.is_file():
        return UNSHIPPED
    for one in json.loads(manifest.read_text("utf-8"))["images"].values():
        if one["clock_hz"] == clock_hz:
            return Image(FIRMWARE, int(one["crc32"], 16), int(one["ram_left_for_stack"]))
    return UNSHIPPED
