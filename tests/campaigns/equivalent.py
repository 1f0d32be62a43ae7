"""Mutants that no test can notice, because the changed program does the same: why, for `mutation.py`."""

from __future__ import annotations

#: (module, text of the line, change) -> reason
EQUIVALENT: dict[tuple[str, str, str], str] = {}
