"""What every fact is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fact:
    """Base of all; a fact's fields are plain values, so that it survives JSON."""

    def sentence(self) -> str:
        """The fact for people: one clause without capital and full stop."""
        raise NotImplementedError
