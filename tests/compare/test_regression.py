"""Runs against their reference on `sim`: no false alarm, a real change found, samples only as needed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchctl import benches, benchfile, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.cli import main
from benchctl.operate import Operation
from benchctl.procedure.file import Procedure, load, parse
from benchctl.regression import LOOKS, Regression, regress, sized
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict

#: a link at its edge: one packet in twelve is lost
LOSSY = """
name = "lossy"
[board.hand]
[board.craft]
[[air.interferer]]
centre_mhz = 2476.0
width_mhz = 8.0
duty = 0.08
power_dbm = -20.0
"""


def procedure(only: tuple[str, ...] = ("link", "button_to_led")) -> Procedure:
    return load(shipped.procedure("regression")).only(only)


def reference(root: Path, wanted: Procedure, seed: int = 11) -> Summary:
    bench = benches.open_bench("sim", seed=seed)
    try:
        return Operation(wanted, bench, root).perform().summary
    finally:
        bench.close()


def against(root: Path, wanted: Procedure, before: Summary, bench_name: str, seed: int) -> Regression:
    bench = benches.open_bench(bench_name, seed=seed)
    try:
        return regress(wanted, before, lambda p: Operation(p, bench, root))
    finally:
        bench.close()


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Summary:
    return reference(tmp_path_factory.mktemp("reference"), procedure())


def test_the_same_is_not_called_worse(before: Summary, tmp_path: Path) -> None:
    """Another seed of the same bench; a sample of tests/campaigns/compare_campaign.py."""
    done = against(tmp_path, procedure(), before, "sim", 12)
    assert not done.comparison.having(Outcome.WORSE)
    assert done.verdict is not Verdict.FAIL


def test_a_worse_link_is_found_with_few_samples(before: Summary, tmp_path: Path) -> None:
    """Clear harm is decided at the first look."""
    bench = tmp_path / "lossy.toml"
    bench.write_text(LOSSY, "utf-8")
    done = against(tmp_path, procedure(), before, str(bench), 13)
    assert len(done.results) == 1
    worse = {r.new.name for r in done.comparison.having(Outcome.WORSE)}
    assert "hand_to_craft.loss" in worse
    assert done.exit_code == 1


def test_sizes_are_shares_of_the_procedures() -> None:
    whole, quarter = procedure(), sized(procedure(), LOOKS[0])
    for full, part in zip(whole.steps, quarter.steps, strict=True):
        for name, value in full.parameters.items():
            least = next(p.low for p in full.stage.parameters if p.name == name)
            if part.parameters[name] != value:
                assert part.parameters[name] == max(round(int(value) / 4), least)
    assert [s.parameters.get("presses") for s in quarter.steps][-1] == 50


def test_another_procedure_is_refused(before: Summary, tmp_path: Path) -> None:
    other = parse(b'name = "other"\n[[stage]]\nkind = "identity"\n', "other.toml")
    from benchctl.errors import UsageError

    with pytest.raises(UsageError, match="only runs of one procedure"):
        against(tmp_path, other, before, "sim", 14)


def test_kept_reference_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Run, keep, run against it: exit codes, and a sentence where none is kept."""
    root = str(tmp_path)
    quiet = ["--only", "button_to_led", "--quiet", "--out", root]
    assert main(["run", "regression", "--seed", "3", *quiet, "--reference"]) == 2
    assert "expected one kept reference" in capsys.readouterr().err
    assert main(["run", "regression", "--seed", "3", *quiet]) == 0
    assert main(["reference", "set", "last", "--runs", root]) == 0
    assert main(["reference", "show", "--runs", root]) == 0
    assert "mudlark-hand-01, probe: " in capsys.readouterr().out
    code = main(["run", "regression", "--seed", "4", *quiet, "--reference", "--json"])
    assert '"outcome": "same"' in capsys.readouterr().out
    assert code in (0, 3)


def test_labels_of_the_shipped_bench() -> None:
    """The kept reference is found by the labels that the bench file gives."""
    assert {b.label for b in benchfile.load("sim").boards.values()} == {"mudlark-hand-01", "mudlark-craft-01"}
