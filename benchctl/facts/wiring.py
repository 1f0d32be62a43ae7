"""Facts that the search for the wiring finds, or is told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchctl.facts.base import Fact
from benchctl.terms import Role

_HOW: Mapping[str, str] = {"looked": "found by looking", "person": "found with your help", "said": "as you said",
                           "unseen": "as you said; bring-up confirms it by a small movement",
                           "known": "as the pair file has it"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class WiringFound(Fact):
    """The search for the wiring has found one thing, or the owner has said it. key and value: as in a pair file.

    how: "looked" where the board's own answers show it, "person" where somebody had to do or to see something,
    "said" where the owner's word is all there is, "unseen" where that is still to be confirmed, "known" where a pair
    file said it before.
    """

    board: Role
    key: str
    value: str | int | float | bool
    how: str

    def sentence(self) -> str:
        return f"{self.board}: {self.key} = {self.value} ({_HOW.get(self.how, self.how)})"


@dataclass(frozen=True, slots=True)
class WiringUnsure(Fact):
    """The search cannot tell. candidates: pins that would do, as people write them; none where nothing fits."""

    board: Role
    key: str
    candidates: tuple[str, ...] = ()

    def sentence(self) -> str:
        where = f"could be on {' or '.join(self.candidates)}" if self.candidates else "was not found"
        return f"{self.board}: {self.key.removeprefix('pins.')} {where}; set {self.key} in the pair file"


@dataclass(frozen=True, slots=True)
class PairKept(Fact):
    """What a search for the wiring has found is kept as a pair file. where: the pair's name, or the file."""

    where: str

    def sentence(self) -> str:
        return f"what was found is the pair {self.where}"


@dataclass(frozen=True, slots=True)
class PairReplaced(Fact):
    """The owner has said that what is found takes the place of a pair file that is kept already, the pair's name."""

    pair: str

    def sentence(self) -> str:
        return f"what is found takes the place of the pair {self.pair}, as you said"
