"""The generator of pairs, and the boot loaders, of other folders."""

from __future__ import annotations

import sys
from pathlib import Path

for _folder in ("avr_flash", "campaigns"):
    sys.path.insert(0, str(Path(__file__).parents[1] / _folder))
