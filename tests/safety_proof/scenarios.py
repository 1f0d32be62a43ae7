"""Each rule of the guard in one short story over raw frames; the rig judges every pulse on the way."""

from __future__ import annotations

import scenarios_arming  # noqa: F401  telling them registers them
import scenarios_pins  # noqa: F401
import scenarios_wiring  # noqa: F401
from telling import SCENARIOS

__all__ = ["SCENARIOS"]
