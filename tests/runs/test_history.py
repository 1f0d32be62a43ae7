"""The list of runs and what many of them say together."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from helpers_runs import failing_run, healthy_run, small_run

from benchctl import events as ev
from benchctl.errors import UsageError
from benchctl.runs import index
from benchctl.runs.folder import RunFolder
from benchctl.runs.history import (
    REFERENCES,
    References,
    boards,
    chosen,
    first_pass_yield,
    frequent,
    of_kind,
    trend,
)
from benchctl.runs.index import INDEX, list_rows, row_of
from benchctl.runs.log import LOG, RunLog
from benchctl.runs.summary import RunState, summarise
from benchctl.terms import Verdict


def relabelled(events: list[ev.Event], number: int, wall: str, **more: object) -> list[ev.Event]:
    """The same run with another pair at another time."""
    from dataclasses import replace

    out: list[ev.Event] = []
    for e in events:
        if isinstance(e, ev.RunStarted):
            e = replace(e, wall=wall, run=f"{wall[:10]}-{number}", **more)  # type: ignore[arg-type]
        elif isinstance(e, ev.BoardSeen):
            e = replace(e, label=f"mudlark-{e.role}-{number:02d}")
        out.append(e)
    return out


def record(root: Path, name: str, events: list[ev.Event], seal: bool = True) -> None:
    with RunFolder.create(root / name) as folder:
        with RunLog(root / name) as log:
            for e in events:
                log(e)
        if seal:
            folder.seal()


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    """Pair 1 passes; pair 2 fails, then passes; pair 3 fails; pair 4 is cut off; a rehearsal of pair 5."""
    runs = [
        ("a", healthy_run(), 1, "2026-03-14T10:00:00Z"),
        ("b", failing_run(), 2, "2026-03-14T11:00:00Z"),
        ("c", healthy_run(), 2, "2026-03-14T12:00:00Z"),
        ("d", failing_run(), 3, "2026-03-14T13:00:00Z"),
        ("e", healthy_run()[:30], 4, "2026-03-14T14:00:00Z"),
    ]
    for name, events, number, wall in runs:
        record(tmp_path, name, relabelled(events, number, wall, simulated=False, bench_kind="ports"))
    record(tmp_path, "f", relabelled(healthy_run(), 5, "2026-03-14T15:00:00Z"))
    return tmp_path


def test_the_list_is_latest_first_and_says_what_the_folders_say(batch: Path) -> None:
    rows = list_rows(batch)

    assert [r.name for r in rows] == ["f", "e", "d", "c", "b", "a"]
    assert [r.verdict for r in rows] == [
        Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL, Verdict.PASS, Verdict.FAIL, Verdict.PASS
    ]  # fmt: skip
    assert rows[1].state is RunState.ABORTED
    assert rows[4].failed == ("Supply under load", "Radio link, both ways")
    assert rows[4].causes[0] == ("Bulk capacitor at the transceiver missing or dried out", "craft")
    assert rows[4] == row_of(
        "b", summarise(relabelled(failing_run(), 2, rows[4].wall, simulated=False, bench_kind="ports"))
    )


def test_the_second_listing_reads_no_log_and_says_the_same(batch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = list_rows(batch)

    def refuse(folder: Path) -> None:
        raise AssertionError(f"{folder} was read")

    monkeypatch.setattr(index, "read", refuse)
    assert list_rows(batch) == first


@pytest.mark.parametrize("text", ["", "{", '{"form": 1}', "\x00" * 50, "SQLite format 3\x00" + "\x01" * 200])
def test_a_damaged_index_is_never_believed(batch: Path, text: str) -> None:
    first = list_rows(batch)
    (batch / INDEX).write_text(text)

    assert list_rows(batch) == first
    assert list_rows(batch) == first


@pytest.mark.parametrize(
    "change", [
        "pragma user_version = 1",
        """update alike set told = replace(told, '"pass"', '"good"')""",
        """update alike set told = '[[1]]' where id = 1""",
        "update alike set told = 3 where id = 1",
        "delete from alike",
        "drop table runs",
    ],

)
def test_an_older_or_odd_index_is_never_believed(batch: Path, change: str) -> None:
    first = list_rows(batch)
    altered(batch, change)

    assert list_rows(batch) == first


WORSE = """update alike set told = replace(told, '"pass"', '"fail"')"""


def altered(batch: Path, change: str) -> None:
    with closing(sqlite3.connect(batch / INDEX)) as db, db:
        db.execute(change)


def test_the_index_may_be_deleted_and_follows_the_folders(batch: Path) -> None:
    first = list_rows(batch)
    (batch / INDEX).unlink()
    assert list_rows(batch) == first
    (batch / "a").chmod(0o755)
    shutil.rmtree(batch / "a")
    assert [r.name for r in list_rows(batch)] == ["f", "e", "d", "c", "b"]
    record(batch, "a", relabelled(failing_run(), 1, "2026-03-14T10:00:00Z"))
    assert list_rows(batch)[-1].verdict is Verdict.FAIL


def test_a_row_that_lies_is_overruled_when_the_log_is_another(batch: Path) -> None:
    list_rows(batch)
    altered(batch, "update runs set size = size + 1")
    altered(batch, WORSE)

    assert list_rows(batch)[0].verdict is Verdict.PASS


def test_a_row_whose_log_is_the_same_is_believed(batch: Path) -> None:
    """Else the test above could not fail."""
    list_rows(batch)
    altered(batch, WORSE)

    assert list_rows(batch)[0].verdict is Verdict.FAIL


def test_only_new_runs_are_read(batch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever was copied in since; all others come from the index."""
    list_rows(batch)
    (batch / "z").mkdir()
    shutil.copy(batch / "a" / LOG, batch / "z" / LOG)
    seen: list[str] = []
    read = index.read
    monkeypatch.setattr(index, "read", lambda folder: (seen.append(folder.name), read(folder))[1])

    assert list_rows(batch)[0].name == "z"
    assert list_rows(batch)[0].name == "z"
    assert seen == ["z"]


def test_many_runs_are_chosen_without_a_look_into_their_folders(batch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By board, verdict, cause and date, from the list alone."""
    first = list_rows(batch)
    monkeypatch.setattr(index, "read", lambda folder: pytest.fail(f"{folder} was read"))

    for wanted in ({"board": first[0].labels()[0]}, {"verdict": "fail"}, {"cause": "bulk_capacitor_missing"},
                   {"since": first[2].wall}):  # fmt: skip
        found = chosen(list_rows(batch), **wanted)
        assert 0 < len(found) < len(first)
        assert found == chosen(first, **wanted)


def test_what_no_run_has_any_more_leaves_the_index(batch: Path) -> None:
    """Else it would grow for ever."""
    list_rows(batch)
    for folder in [p for p in batch.iterdir() if p.is_dir()]:
        folder.chmod(0o755)
        shutil.rmtree(folder)
    assert list_rows(batch) == []
    with closing(sqlite3.connect(batch / INDEX)) as db:
        assert db.execute("select count(*) from alike").fetchone() == (0,)


def test_runs_of_two_machines_in_one_folder(tmp_path: Path) -> None:
    """Gathered by plain copying: every run is there, and the board that was on two benches is one board."""
    for machine, wall in (("one", "2026-03-14T10:00:00Z"), ("two", "2026-03-14T10:00:00Z")):
        record(tmp_path / machine, f"20260314-100000-bring-up-{machine}", relabelled(healthy_run(), 7, wall))
        list_rows(tmp_path / machine)
        for run in (p for p in (tmp_path / machine).iterdir() if p.is_dir()):
            shutil.copytree(run, tmp_path / "all" / run.name)
    shutil.copy(tmp_path / "one" / INDEX, tmp_path / "all" / INDEX)

    rows = list_rows(tmp_path / "all")
    assert len(rows) == 2
    assert {len(h.runs) for h in boards(rows)} == {2}


def test_where_the_index_cannot_be_written_the_list_is_still_right(batch: Path) -> None:
    (batch / INDEX).mkdir()
    assert len(list_rows(batch)) == 6


def test_a_run_that_is_being_written_is_running_and_not_kept(tmp_path: Path) -> None:
    with RunFolder.create(tmp_path / "run"), RunLog(tmp_path / "run") as log:
        for e in healthy_run()[:10]:
            log(e)
        assert [r.state for r in list_rows(tmp_path)] == [RunState.RUNNING]
    assert [r.state for r in list_rows(tmp_path)] == [RunState.ABORTED]


def test_places_without_runs(tmp_path: Path) -> None:
    assert list_rows(tmp_path) == list_rows(tmp_path / "nowhere") == []
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="cannot be read"):
        list_rows(tmp_path / "file")


def test_first_pass_yield_counts_real_boards_at_their_first_judged_run(batch: Path) -> None:
    """Pairs 1, 2 and 3 were judged, pair 1 passed at once: 2 boards of 6. The exact 95 % interval of 2 in 6 is
    0.0433 to 0.7772 (Clopper and Pearson 1934; the figures are those of scipy.stats.binomtest)."""
    from scipy.stats import binomtest

    real = of_kind(list_rows(batch), procedure="bring-up", simulated=False)
    found = first_pass_yield(boards(real))
    exact = binomtest(2, 6).proportion_ci(0.95, "exact")

    assert (found.passed, found.boards) == (2, 6)
    assert found.interval.low == pytest.approx(exact.low, rel=1e-9)
    assert found.interval.high == pytest.approx(exact.high, rel=1e-9)
    assert found.interval.low == pytest.approx(0.0433, abs=5e-5)
    assert found.interval.high == pytest.approx(0.7772, abs=5e-5)


def test_a_board_knows_its_latest_run_and_what_failed_most(batch: Path) -> None:
    by_label = {h.label: h for h in boards(list_rows(batch))}
    two = by_label["mudlark-craft-02"]

    assert [r.name for r in two.runs] == ["b", "c"]
    assert two.latest.verdict is Verdict.PASS
    assert not two.first_passed
    assert two.failed_stages == (("Radio link, both ways", 1), ("Supply under load", 1))
    assert two.causes == (("Bulk capacitor at the transceiver missing or dried out", 1),)
    assert by_label["mudlark-hand-02"].causes == ()
    assert by_label["mudlark-craft-04"].latest.state is RunState.ABORTED


def test_the_most_frequent_causes_of_a_batch(batch: Path) -> None:
    stages, causes = frequent(list_rows(batch))

    assert stages == (("Radio link, both ways", 2), ("Supply under load", 2))
    assert causes == (("Bulk capacitor at the transceiver missing or dried out", 2),)


def test_a_trend_follows_a_reading_over_the_batch(batch: Path) -> None:
    points = trend(batch, list_rows(batch), "supply", "craft.droop")

    assert [p.row.name for p in points] == ["a", "b", "c", "d", "e", "f"]
    assert [p.reading.value for p in points] == [0.08, 0.9, 0.08, 0.9, 0.08, 0.08]
    assert points[1].label == "mudlark-craft-02"
    assert trend(batch, list_rows(batch), "supply", "nothing") == []


def test_what_could_not_be_measured_is_no_point_of_a_trend(tmp_path: Path) -> None:
    record(tmp_path, "a", small_run())
    assert trend(tmp_path, list_rows(tmp_path), "supply", "craft.vcc") == []


def test_a_yield_of_nothing_is_unknown() -> None:
    nothing = first_pass_yield([])

    assert nothing.share is None
    assert (nothing.interval.low, nothing.interval.high) == (0.0, 1.0)


def test_a_reference_is_kept_per_label_and_firmware_line(batch: Path) -> None:
    kept = References(batch)
    assert kept.get("mudlark-craft-02", "probe") is None
    kept.set("mudlark-craft-02", "probe", "c")
    kept.set("mudlark-craft-02", "hover 2", "b")
    kept.set("mudlark-craft-02", "probe", "a")

    assert References(batch).all() == {("mudlark-craft-02", "probe"): "a", ("mudlark-craft-02", "hover 2"): "b"}
    with pytest.raises(UsageError, match="does not exist"):
        kept.set("mudlark-craft-02", "probe", "nowhere")


@pytest.mark.parametrize("text", ["", "{}x", '[{"label": 1}]', "[3]", "7"])
def test_damaged_references_are_one_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / REFERENCES).write_text(text)
    with pytest.raises(UsageError, match="is damaged; expected a list"):
        References(tmp_path).all()


def test_a_run_folder_whose_log_is_empty_is_listed_as_aborted(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / LOG).write_text("")

    assert [(r.name, r.state, r.verdict) for r in list_rows(tmp_path)] == [("x", RunState.ABORTED, Verdict.UNDECIDED)]
