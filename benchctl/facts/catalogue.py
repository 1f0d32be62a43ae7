"""All kinds of facts, and the fact behind an error."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.errors import BoardError, NoAnswer, Refused
from benchctl.facts.base import Fact
from benchctl.facts.boards import BoardSilent, RequestRefused
from benchctl.terms import Role


def fact_of(error: BoardError) -> Fact | None:
    """The fact behind what a board did to a request; None where the exception names no request of a board."""
    if not error.role or not error.request:
        return None
    if isinstance(error, Refused):
        return RequestRefused(Role(error.role), error.request, error.code)
    return BoardSilent(Role(error.role), error.request) if isinstance(error, NoAnswer) else None


def catalogue() -> Mapping[str, type[Fact]]:
    """Every kind of fact by its name in the record."""
    return {c.__name__: c for c in Fact.__subclasses__()}
