"""The pair file that a search for the wiring has found, from the run's facts alone."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

from benchctl.facts import WiringFound
from benchctl.pairfile import PairSpec, load, wiring
from benchctl.pairfile.said import Value, pair_of
from benchctl.runs.summary import Summary
from benchctl.session.pairing import pair_name
from benchctl.terms import Role

#: a pair whose boards have no label yet
_NAMELESS = "found-pair"


def kept_drawing(path: Path) -> str:
    """The wiring of a pair that a run has kept in a file, "" where it has kept none. Raises UsageError."""
    return wiring(load(str(path))) if path.exists() else ""


def found_pair(summary: Summary) -> PairSpec | None:
    """The pair as far as it was found; None when the run looked for none.

    Of a thing found twice the later counts. Raises UsageError when what was said contradicts itself.
    """
    boards: dict[Role, dict[str, Value]] = defaultdict(dict)
    for stage in summary.stages.values():
        for fact in stage.facts:
            if isinstance(fact, WiringFound):
                boards[fact.board][fact.key] = fact.value
    if not boards:
        return None
    labels = [str(keys["label"]) for keys in boards.values() if keys.get("label")]
    return pair_of(boards, pair_name(labels[0]) if labels else _NAMELESS)
