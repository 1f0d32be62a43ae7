"""The pair file: what somebody soldered, as checked frozen values; every key is declared once, in `schema`."""

from benchctl.pairfile.reader import folder, load, own, parse, shipped
from benchctl.pairfile.schema import (
    AMPLIFIED_MA,
    BoardFacts,
    JoystickFacts,
    JumperFacts,
    LedFacts,
    OutputFacts,
    PairSpec,
    RadioFacts,
    SensorFacts,
    SupplyFacts,
    SwitchFacts,
)
from benchctl.pairfile.wiring import jumper_ohms, summary, wiring
from benchctl.pairfile.writing import as_toml, page

__all__ = [
    "AMPLIFIED_MA",
    "BoardFacts",
    "JoystickFacts",
    "JumperFacts",
    "LedFacts",
    "OutputFacts",
    "PairSpec",
    "RadioFacts",
    "SensorFacts",
    "SupplyFacts",
    "SwitchFacts",
    "as_toml",
    "folder",
    "jumper_ohms",
    "load",
    "own",
    "page",
    "parse",
    "shipped",
    "summary",
    "wiring",
]
