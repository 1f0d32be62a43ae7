"""Put every seeded defect of the safety code in, one at a time: `seeded_defects.py [WORD]`, WORD to take some by name or file.

Prints what noticed each; exit code 1 when one goes unnoticed, or when the sound code is found fault with.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "safety_proof"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import always_watched
from seeded import FIRMWARE, HOST, notices, notices_firmware, notices_host


def main(word: str = "") -> None:
    always_watched.install()
    chosen = [d for d in (*HOST, *FIRMWARE) if word in f"{d.file} {d.name}"]
    _sound()
    print(f"{'defect':<48}{'in':<34}noticed by", flush=True)
    missed = 0
    for defect in chosen:
        with tempfile.TemporaryDirectory() as folder:
            by = notices(defect, Path(folder))
        missed += not by
        print(f"{defect.name:<48}{defect.file:<34}{by or 'NOBODY'}", flush=True)
    print(f"{len(chosen)} defects, {len(chosen) - missed} noticed")
    sys.exit(missed > 0)


def _sound() -> None:
    """Without a defect nothing is found fault with."""
    with tempfile.TemporaryDirectory() as folder:
        assert notices_host(None, Path(folder)) == "", "the sound package is found fault with"
    by = notices_firmware(None)
    assert by == "", f"the sound firmware is found fault with by: {by}"


if __name__ == "__main__":
    main(*sys.argv[1:])
