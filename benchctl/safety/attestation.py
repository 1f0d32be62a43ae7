"""What the operator states to have done before anything may spin, each with a challenge and an end of validity."""

from __future__ import annotations

import random
from dataclasses import dataclass

#: an attestation counts for this long (bench time)
VALID_S = 600.0
#: above this cap a further attestation is wanted; above MOST none helps
USUAL_CAP = 0.20
MOST_CAP = 0.30

#: short, common, unlike each other
_WORDS = (
    *("amber", "anchor", "basin", "birch", "bramble", "candle", "cedar", "copper", "curlew", "dapple", "ember"),
    *("fennel", "ferry", "gannet", "gravel", "harbour", "hazel", "heron", "juniper", "kestrel", "lantern", "larch"),
    *("linen", "marsh", "meadow", "mortar", "nettle", "osprey", "pebble", "pillar", "plover", "quarry", "quill"),
    *("rafter", "reed", "saddle", "samphire", "sedge", "shingle", "slate", "sorrel", "tallow", "teasel", "thistle"),
    *("timber", "trellis", "tundra", "velvet", "walnut", "willow"),
)


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing to be stated. name: as in the log. text: what the operator is asked to confirm."""

    name: str
    text: str


STATEMENTS: tuple[Statement, ...] = (
    Statement("props_off", "Propellers and fans are off every motor."),
    Statement("held_down", "Board and craft are clamped or tied down; nothing can walk, tip or be dragged."),
    Statement("supply_limited", "The supply is current-limited or fused for this motor."),
    Statement("eyes_protected", "Everyone near wears eye protection."),
    Statement("plane_clear", "Nobody and nothing is in the plane of the rotor; hair, sleeves and leads are tied back."),
    Statement("cut_off_in_reach", "The battery plug or supply switch is in reach: that is the emergency stop."),
)
#: before any pulse output is tried or moved over its range, and before what it can emit is changed
SUPPLY_OFF = Statement("supply_off", "The motors' battery is unplugged; no motor controller has any power.")
HIGHER_CAP = Statement("higher_cap", "The throttle may go above 20 % on this test; the clamps hold that thrust.")


def statements(cap: float) -> tuple[Statement, ...]:
    """All that must be stated for a throttle cap, a fraction of full.

    Raises ValueError above MOST_CAP: no attestation allows more.
    """
    if not 0 <= cap <= MOST_CAP:
        raise ValueError(f"a throttle cap of {100 * cap:g} % is not allowed; at most {100 * MOST_CAP:g} %")
    return STATEMENTS + ((HIGHER_CAP,) if cap > USUAL_CAP else ())


def challenge(chance: random.Random) -> str:
    """A word to be shown once and typed back."""
    return chance.choice(_WORDS)


def matches(word: str, answer: str) -> bool:
    """Whether the typed answer is the word; letter case and blanks around it do not matter."""
    return answer.strip().lower() == word


def refuses(answer: str) -> bool:
    """Whether the answer says that it is not so; nothing but the word no does."""
    return answer.strip().lower() == "no"
