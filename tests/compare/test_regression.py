"""Runs against their reference on `sim`: no false alarm, a real change found, samples only as needed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchctl import benches, benchfile, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.cli import main
from benchctl.compare import Comparison, compare
from benchctl.operate import Operation, Result
from benchctl.procedure.file import Procedure, load, parse
from benchctl.regression import Regression, pooled, regress, sized
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Interval, Reading, Source, Verdict

#: a link at its edge: one packet in twelve is lost
LOSSY = """
name = "lossy"
pair = "mudlark"
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
        return Operation(wanted, bench, root, reports=False).perform().summary
    finally:
        bench.close()


def against(root: Path, wanted: Procedure, before: Summary, bench_name: str, seed: int) -> Regression:
    bench = benches.open_bench(bench_name, seed=seed)
    try:
        return regress(wanted, before, lambda p: Operation(p, bench, root, reports=False))
    finally:
        bench.close()


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Summary:
    return reference(tmp_path_factory.mktemp("reference"), procedure())


@pytest.fixture(scope="module")
def again(before: Summary, tmp_path_factory: pytest.TempPathFactory) -> Regression:
    """Another seed of the same bench."""
    return against(tmp_path_factory.mktemp("again"), procedure(), before, "sim", 12)


def test_the_same_is_not_called_worse(again: Regression) -> None:
    """A sample of tests/campaigns/compare_campaign.py."""
    assert not again.comparison.having(Outcome.WORSE)
    assert again.verdict is not Verdict.FAIL


def test_one_look_with_fewer_packets_decides_where_nothing_changed(before: Summary, again: Regression) -> None:
    """It used to take three, and 1.75 times the reference's packets in all."""
    sent = [r.summary.stages["link"].readings["hand_to_craft.given_up"].n for r in again.results]

    assert again.verdict is Verdict.PASS
    assert len(sent) == 1
    assert sent[0] < before.stages["link"].readings["hand_to_craft.given_up"].n


def made(n: int, lost: int, latency: float, half: float) -> Summary:
    """A run of one stage with a counted share and a measured value."""
    share, interval = 100 * lost / n, Interval(latency - half, latency + half)
    readings = (
        Reading("loss", share, "%", n, Interval(0, 100), Source.COUNTING),
        Reading("latency", latency, "us", n, interval, Source.SAMPLING),
    )
    stage = StageSummary("link", readings={r.name: r for r in readings})
    return Summary(stages={"link": stage})


def test_looks_are_put_together() -> None:
    """Counts add up, and the interval is Clopper and Pearson's of all of them (3 of 1000: 0.062 to 0.874 %, from
    scipy 1.11 binomtest); values are weighed by the inverse square of their intervals (JCGM 100:2008, by hand)."""
    readings = pooled([made(400, 1, 100.0, 2.0), made(600, 2, 103.0, 1.0)]).stages["link"].readings

    loss, latency = readings["loss"], readings["latency"]
    assert (loss.n, loss.value) == (1000, pytest.approx(0.3))
    assert loss.interval is not None
    assert (loss.interval.low, loss.interval.high) == (
        pytest.approx(0.0619, abs=2e-4), pytest.approx(0.8742, abs=2e-4))  # fmt: skip
    assert latency.value == pytest.approx((100 / 4 + 103) / 1.25)
    assert latency.half == pytest.approx(1.25**-0.5)


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
    whole, quarter = procedure(), sized(procedure(), 0.25)
    for full, part in zip(whole.steps, quarter.steps, strict=True):
        for name, value in full.parameters.items():
            least = next(p.low for p in full.stage.parameters if p.name == name)
            if part.parameters[name] != value:
                assert part.parameters[name] == max(round(int(value) / 4), least)
    assert [s.parameters.get("presses") for s in quarter.steps][-1] == 50


@pytest.mark.long
def test_only_what_is_open_is_looked_at_again(before: Summary, tmp_path: Path, monkeypatch) -> None:
    """A quarter leaves some of the link's readings open: it comes again, with more; what it needs takes no more than
    before, and the stages that were decided are gone."""
    monkeypatch.setattr("benchctl.regression.LOOKS", (0.25, 0.75))
    looks = [r.summary for r in against(tmp_path, procedure(), before, "sim", 12).results]

    assert len(looks) == 2
    sent = [s.stages["link"].readings["hand_to_craft.given_up"].n for s in looks]
    assert sent == sorted(set(sent))
    scans = [s.stages["transceiver"].readings["channel_busy"].n for s in looks]
    assert all(later < scans[0] for later in scans[1:])
    open_at_first = {r.stage for r in compare(before, looks[0], alpha=0.05 / 2).having(Outcome.UNDECIDED)}
    if "button_to_led" not in open_at_first:
        assert "button_to_led" not in looks[1].stages


def test_a_stage_that_takes_no_more_samples_is_not_repeated(tmp_path: Path) -> None:
    """identity has no sizes: an answer that it leaves open stays open after one look."""
    text = 'name = "identity"\n[[stage]]\nkind = "identity"\n[stage.margins]\noscillator_error = {{margin = {}}}\n'
    wanted = parse(text.format(1000).encode(), "identity.toml")
    old, new = (reference(tmp_path / str(seed), wanted, seed) for seed in (11, 12))
    rows = [r for r in compare(old, new).rows if r.new.name.endswith(".oscillator_error")]
    moved = max(abs(r.new.value - r.reference.value) for r in rows)
    # a margin of what the one that moved most has moved by can be neither kept nor broken
    close = parse(text.format(f"{moved:.9f}").encode(), "identity.toml")
    done = against(tmp_path / "new", close, reference(tmp_path / "old", close), "sim", 12)

    assert done.comparison.having(Outcome.UNDECIDED)
    assert len(done.results) == 1
    assert done.exit_code == 3


def looked(**stages: Verdict) -> Result:
    """The result of a look with these stages."""
    summary = Summary(stages={name: StageSummary(name, verdict=v) for name, v in stages.items()})
    return Result(Verdict.worst(stages.values()), Path(), summary, 0)


@pytest.mark.parametrize(
    ("looks", "verdict"),
    [
        ([{"a": Verdict.UNDECIDED, "b": Verdict.PASS}, {"a": Verdict.PASS}], Verdict.PASS),
        ([{"a": Verdict.UNDECIDED}, {"a": Verdict.UNDECIDED}], Verdict.UNDECIDED),
        ([{"a": Verdict.PASS}, {"a": Verdict.UNDECIDED}], Verdict.PASS),
        ([{"a": Verdict.PASS}, {"a": Verdict.FAIL}], Verdict.FAIL),
        ([{"a": Verdict.FAIL}, {"a": Verdict.PASS}], Verdict.FAIL),
        ([{"a": Verdict.PASS, "c": Verdict.NOT_RUN}], Verdict.PASS),
        ([{"a": Verdict.PASS, "d": Verdict.NOT_RUN}], Verdict.NOT_RUN),
    ],
)
def test_what_a_later_look_decides_is_decided(looks: list[dict[str, Verdict]], verdict: Verdict) -> None:
    """c need not have run."""
    same = Comparison("a", "b", (), (), (), ())
    done = Regression(tuple(looked(**stages) for stages in looks), same, frozenset("c"))

    assert done.verdict is verdict


def test_a_reference_of_another_kind_is_refused_before_anything_runs(tmp_path: Path, capsys) -> None:
    """Nothing is recorded for it."""
    root = str(tmp_path)
    assert main(["run", "radio-link", "--seed", "3", "--only", "identity", "--quiet", "--out", root]) == 0
    (first,) = (p for p in tmp_path.iterdir() if p.is_dir())
    code = main(["run", "regression", "--seed", "4", "--quiet", "--out", root, "--reference", first.name])

    assert code == 2
    assert "only runs of one procedure can be compared" in capsys.readouterr().err
    assert [p for p in tmp_path.iterdir() if p.is_dir()] == [first]


def test_references_are_kept_by_label_and_line(tmp_path: Path, capsys) -> None:
    """Another line has another reference; another board has none; what differs is said."""
    root, quiet = str(tmp_path), ["--only", "identity", "--quiet", "--out", str(tmp_path)]
    for line in ("probe", "hover 2"):
        assert main(["run", "regression", "--seed", "3", *quiet]) == 0
        assert main(["reference", "set", "last", "--runs", root, "--line", line]) == 0
    assert main(["reference", "show", "--runs", root]) == 0
    shown = [text for text in capsys.readouterr().out.splitlines() if "mudlark-hand-01, " in text]
    runs = {text.rpartition(": ")[2] for text in shown}
    assert len(runs) == 2
    assert main(["run", "regression", "--seed", "4", *quiet, "--reference", "--line", "hover 2"]) in (0, 3)
    other = ["--label", "hand=mudlark-hand-02", "--label", "craft=mudlark-craft-02"]
    assert main(["run", "regression", "--seed", "4", *quiet, *other, "--reference"]) == 2
    assert "for mudlark-hand-02, mudlark-craft-02" in capsys.readouterr().err
    named = sorted(runs)[0]
    main(["run", "regression", "--seed", "4", *quiet, *other, "--reference", named])
    assert "the hand board was mudlark-hand-01, now it is mudlark-hand-02" in capsys.readouterr().out


def test_another_procedure_is_refused(before: Summary, tmp_path: Path) -> None:
    other = parse(b'name = "other"\n[[stage]]\nkind = "identity"\n', "other.toml")
    from benchctl.errors import UsageError

    with pytest.raises(UsageError, match="only runs of one procedure"):
        against(tmp_path, other, before, "sim", 14)


@pytest.mark.long
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
