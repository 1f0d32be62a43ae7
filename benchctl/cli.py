"""The command's entry: what needs nothing is answered at once, the rest by `arguments`."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from benchctl import __version__


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    if list(sys.argv[1:] if argv is None else argv) == ["--version"]:
        print(f"benchctl {__version__}")
        return 0
    from benchctl.arguments import main as whole

    return whole(argv)
