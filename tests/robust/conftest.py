"""The folder's own modules, and the generators of the proof that nothing arms."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "safety_proof")]
