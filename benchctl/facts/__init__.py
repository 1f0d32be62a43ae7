"""The catalogue of facts: what stages establish beside readings, one frozen value each, and the sentence made from it.

A stage emits a fact (`events.FactFound`), the record keeps it, findings read it. Sentences are made from facts, here
and nowhere else; nothing reads a sentence. The docstring of a class is the fact's meaning.
"""

from benchctl.facts.base import (
    Fact,
)
from benchctl.facts.boards import (
    BoardSilent,
    HuntedLoad,
    JointLoose,
    Part,
    RequestRefused,
    Shows,
    SupplyDeclared,
    TriggerFound,
    TriggerUnknown,
)
from benchctl.facts.catalogue import (
    catalogue,
    fact_of,
)
from benchctl.facts.outputs import (
    AxesExchanged,
    BeepsUnexpected,
    FedBack,
    MotorElsewhere,
    MotorTurnsOtherWay,
    OutputMoves,
    OutputRestarts,
    SensorAbsent,
    SensorElsewhere,
    SoundUnexpected,
    TurnsAtIdle,
)
from benchctl.facts.transceiver import (
    HEADER,
    AcknowledgementsMissing,
    ComesAndGoes,
    Line,
    LineBroken,
    ModuleWired,
    SettingDiffers,
    SettingsNotHeld,
    SettingsRefused,
    Variant,
    VariantFound,
)
from benchctl.facts.wiring import (
    PairKept,
    PairReplaced,
    WiringFound,
    WiringUnsure,
)

__all__ = [
    "HEADER",
    "AcknowledgementsMissing",
    "AxesExchanged",
    "BeepsUnexpected",
    "BoardSilent",
    "ComesAndGoes",
    "Fact",
    "FedBack",
    "HuntedLoad",
    "JointLoose",
    "Line",
    "LineBroken",
    "ModuleWired",
    "MotorElsewhere",
    "MotorTurnsOtherWay",
    "OutputMoves",
    "OutputRestarts",
    "PairKept",
    "PairReplaced",
    "Part",
    "RequestRefused",
    "SensorAbsent",
    "SensorElsewhere",
    "SettingDiffers",
    "SettingsNotHeld",
    "SettingsRefused",
    "Shows",
    "SoundUnexpected",
    "SupplyDeclared",
    "TriggerFound",
    "TriggerUnknown",
    "TurnsAtIdle",
    "Variant",
    "VariantFound",
    "WiringFound",
    "WiringUnsure",
    "catalogue",
    "fact_of",
]
