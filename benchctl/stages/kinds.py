"""The table kind -> stage, written out by hand: a new stage is a file and a line here."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.stages import identity, radio_link, transceiver
from benchctl.stages.contract import Stage

KINDS: Mapping[str, Stage] = {
    s.kind: s
    for s in (
        identity.STAGE,
        transceiver.STAGE,
        radio_link.STAGE,
    )
}
