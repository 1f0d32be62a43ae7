"""Lines and branches of the code that guards, links, judges and records, as its own tests cover them.

    covered.py [--write]

Prints a row a package, and every file below the goal; ends with 1 where a package is below it. What belongs to it is
named in pyproject.toml, under `tool.coverage.report`.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.campaigns import published  # noqa: E402

GOAL = 95.0
TESTS = ("tests/wire", "tests/session", "tests/safety", "tests/runs", "tests/analysis/test_judge.py", "tests/cli",
         "tests/robust", "tests/test_events_json.py")  # fmt: skip
_COUNTS = ("num_statements", "covered_lines", "num_branches", "covered_branches")


def measured() -> dict[str, Counter[str]]:
    """Counts by file. Raises CalledProcessError when a test fails."""
    with tempfile.TemporaryDirectory() as folder:
        env = {**os.environ, "COVERAGE_FILE": f"{folder}/coverage"}
        out = f"{folder}/coverage.json"
        for command in (("run", "-m", "pytest", "--timeout=900", *TESTS), ("json", "--fail-under=0", "-q", "-o", out)):
            subprocess.run((sys.executable, "-m", "coverage", *command), cwd=ROOT, env=env, check=True)
        files = json.loads(Path(out).read_text("utf-8"))["files"]
    return {name: Counter({c: f["summary"][c] for c in _COUNTS}) for name, f in files.items()}


def share(done: int, of: int) -> float:
    """Percent; everything of nothing."""
    return 100.0 * done / of if of else 100.0


def row(name: str, counts: Counter[str]) -> str:
    cells = [name]
    for done, of in (("covered_lines", "num_statements"), ("covered_branches", "num_branches")):
        cells += [str(counts[of]), f"{share(counts[done], counts[of]):.1f} %"]
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    files = measured()
    packages: dict[str, Counter[str]] = {}
    for name, counts in files.items():
        place = Path(name)
        package = str(place if place.parent.name == "analysis" else place.parent)
        packages.setdefault(f"`{package}`", Counter()).update(counts)
    packages["all"] = sum(packages.values(), Counter[str]())
    lines = ["`python tests/campaigns/covered.py --write`", "", "| package | statements | covered | branches | covered |",
             "| --- | --- | --- | --- | --- |", *(row(n, c) for n, c in packages.items())]  # fmt: skip
    print("\n".join(lines))
    for name, counts in files.items():
        if share(counts["covered_branches"], counts["num_branches"]) < GOAL:
            print("below the goal:", row(name, counts))
    if "--write" in sys.argv:
        published.put("covered", "Branches of the code that guards, links, judges and records", lines)
    low = [n for n, c in packages.items() if share(c["covered_branches"], c["num_branches"]) < GOAL]
    sys.exit(f"below {GOAL:g} % of branches: {', '.join(low)}" if low else 0)


if __name__ == "__main__":
    main()
