"""The run log: written before it is told, read back up to any torn end."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from helpers_runs import Story, failing_run, healthy_run, plain, small_run

from benchctl import events as ev
from benchctl.errors import RecordLost, UsageError
from benchctl.event_json import to_json
from benchctl.runs.log import DURABLE, LOG, RunLog, read, table_path
from benchctl.runs.summary import RunState, Summary, summarise
from benchctl.runs.tables import Tables
from benchctl.terms import Verdict


def recorded(folder: Path, events: list[ev.Event]) -> Path:
    folder.mkdir()
    with RunLog(folder) as log:
        for e in events:
            log(e)
    return folder


def as_read(events: list[ev.Event]) -> list[dict[str, object]]:
    """What a log should give back, as JSON, without the names of table files."""
    return [{k: v for k, v in to_json(e).items() if k != "file"} for e in events]


@pytest.mark.parametrize("make", [small_run, healthy_run, failing_run])
def test_a_whole_run_reads_back_as_it_was_emitted(tmp_path: Path, make) -> None:
    events = make()
    found = read(recorded(tmp_path / "run", events))

    assert as_read(events) == as_read(list(found.events))
    assert found.complete
    assert found.missing == ""


def test_every_line_is_strict_json(tmp_path: Path) -> None:
    """RFC 8259 section 6 has no NaN or infinity; Python's reader takes them unless it is told not to."""
    recorded(tmp_path / "run", small_run())

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    for line in (tmp_path / "run" / LOG).read_text("utf-8").splitlines():
        json.loads(line, parse_constant=refuse)


def test_the_live_fold_equals_the_fold_of_the_log(tmp_path: Path) -> None:
    for make in (small_run, healthy_run, failing_run):
        live, folder = Summary(), tmp_path / make.__name__
        folder.mkdir()
        with RunLog(folder) as log:
            log.add_reader(live.fold)
            for e in make():
                log(e)
        live.close()
        again = summarise(read(folder).events)

        assert plain(live) == plain(again)


@pytest.mark.long
def test_cut_at_every_byte_it_gives_every_whole_event_and_says_what_is_missing(tmp_path: Path) -> None:
    events = small_run()
    folder = recorded(tmp_path / "run", events)
    data = (folder / LOG).read_bytes()
    cut = tmp_path / "cut"
    shutil.copytree(folder, cut)
    told = as_read(events)
    ends = [i + 1 for i, b in enumerate(data) if b == 10]
    whole_lines = 0
    for length in range(len(data)):
        (cut / LOG).write_bytes(data[:length])
        found = read(cut)
        whole_lines = sum(e <= length for e in ends)
        # a line that lacks nothing but its line end is whole
        expected = whole_lines + (length + 1 in ends)

        assert len(found.events) == expected
        assert told[:expected] == as_read(list(found.events))
        assert found.complete is (expected == len(events))
        assert bool(found.missing) is not found.complete
        if length and length not in ends and length + 1 not in ends:
            assert "is cut off after" in found.missing
        summary = summarise(found.events, found.missing)
        assert summary.state is (RunState.ENDED if found.complete else RunState.ABORTED)
    assert whole_lines == len(events) - 1


def test_stages_that_had_ended_are_whole_in_a_cut_log(tmp_path: Path) -> None:
    folder = recorded(tmp_path / "run", small_run())
    whole = summarise(read(folder).events)
    data = (folder / LOG).read_bytes()
    for length in range(0, len(data), 37):
        (folder / LOG).write_bytes(data[:length])
        for stage in summarise(read(folder).events).stages.values():
            if stage.verdict is not None:
                assert plain(stage) == plain(whole.stages[stage.name])


def test_a_damaged_line_is_named_and_the_rest_is_read(tmp_path: Path) -> None:
    folder = recorded(tmp_path / "run", small_run())
    lines = (folder / LOG).read_bytes().split(b"\n")
    bad = {
        b"\xff\xfe": "line 3 of events.jsonl is damaged: is no event in JSON",
        b"[1]": "line 3 of events.jsonl is damaged: an event is a JSON object",
        b'{"event":"Teleported","t":1}': "unknown event 'Teleported'",
        b'{"event":"StopPressed","t":1,"by":"key","why":2}': "StopPressed has no field 'why'",
        b'{"event":"StopPressed","t":"soon","by":"key"}': "StopPressed.t: expected a number, got 'soon'",
        b'{"event":"StopPressed","t":1}': "StopPressed",
        b'{"event":"StageEnded","t":1,"stage":"a","kind":"b","verdict":"maybe","reason":"","seconds":1}': "maybe",
        b"": "line 3 of events.jsonl is damaged",
        b"[" * 100_000: "line 3 of events.jsonl is damaged",
    }
    for line, sentence in bad.items():
        (folder / LOG).write_bytes(b"\n".join([*lines[:2], line, *lines[3:]]))
        found = read(folder)

        assert sentence in found.missing
        assert len(found.events) == len(lines) - 2
        assert not found.complete


def test_readers_hear_everything_in_order_after_it_is_written(tmp_path: Path) -> None:
    heard: list[ev.Event] = []

    def reader(event: ev.Event) -> None:
        heard.append(event)
        assert (tmp_path / LOG).read_bytes().count(b"\n") == len(heard)

    events = small_run()
    with RunLog(tmp_path) as log:
        log.add_reader(reader)
        for e in events:
            log(e)

    assert as_read(events) == as_read(heard)


def test_tables_reach_the_readers_with_their_data_and_the_file_they_went_to(tmp_path: Path) -> None:
    heard: list[ev.Event] = []
    with RunLog(tmp_path) as log:
        log.add_reader(heard.append)
        for e in small_run():
            log(e)
    tables = [e for e in heard if isinstance(e, ev.Samples)]

    assert [t.file for t in tables] == ["supply--craft--burst.npy"]
    assert tables[0].data is not None


def test_a_reader_that_raises_is_dropped_and_reported_and_the_others_go_on(tmp_path: Path) -> None:
    heard: list[ev.Event] = []
    calls = 0

    def breaks(event: ev.Event) -> None:
        nonlocal calls
        calls += 1
        raise KeyError("no such widget")

    events = small_run()
    with RunLog(tmp_path) as log:
        log.add_reader(breaks)
        log.add_reader(heard.append)
        for e in events:
            log(e)
    notes = [e for e in read(tmp_path).events if isinstance(e, ev.Note)]

    assert calls == 1
    assert len(heard) == len(events) + 1
    assert [n.level for n in notes] == ["warning"]
    assert "breaks no longer listens: KeyError: 'no such widget'" in notes[0].text


def test_events_from_several_threads_are_never_mixed_up(tmp_path: Path) -> None:
    with RunLog(tmp_path) as log:

        def emit(name: str) -> None:
            for i in range(200):
                log(ev.Note(float(i), name, "x" * (i % 50)))

        threads = [threading.Thread(target=emit, args=(str(n),)) for n in range(4)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
    found = read(tmp_path)

    assert len(found.events) == 800
    for n in range(4):
        assert [e.t for e in found.events if e.stage == str(n)] == [float(i) for i in range(200)]  # type: ignore[attr-defined]


def test_what_must_survive_a_power_cut_is_synced_before_it_is_told(tmp_path: Path, monkeypatch) -> None:
    synced: list[int] = []
    real = os.fsync

    def counting(number: int) -> None:
        real(number)
        synced.append(os.fstat(number).st_size)

    monkeypatch.setattr(os, "fsync", counting)
    size = tmp_path / LOG

    def reader(event: ev.Event) -> None:
        if isinstance(event, DURABLE):
            assert size.stat().st_size in synced

    with RunLog(tmp_path) as log:
        log.add_reader(reader)
        for e in healthy_run():
            log(e)

    assert "no longer listens" not in size.read_text("utf-8")


def test_a_log_is_never_written_over(tmp_path: Path) -> None:
    recorded(tmp_path / "run", small_run())
    with pytest.raises(UsageError, match="holds a run already"):
        RunLog(tmp_path / "run")


def test_a_folder_without_a_log_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"is no run folder: it has no events\.jsonl"):
        read(tmp_path)


def test_missing_and_short_tables_are_named(tmp_path: Path) -> None:
    folder = recorded(tmp_path / "run", small_run())
    table = folder / "supply--craft--burst.npy"
    table.write_bytes(table.read_bytes()[:-1])

    assert "supply--craft--burst.npy has 5 of 6 rows" in read(folder).missing
    table.unlink()
    assert "supply--craft--burst.npy: cannot be read: No such file" in read(folder).missing


@pytest.mark.parametrize("name", ["../x.npy", "/etc/passwd", "..", ".hidden", "a\\b.npy", ""])
def test_a_log_from_elsewhere_cannot_name_files_outside_its_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="is no name of a table beside the log"):
        table_path(tmp_path, name)


def test_tables_of_one_name_are_one_table_whatever_the_chunks(tmp_path: Path) -> None:
    """Chunks whose values need wider types go to a further file; nothing is rounded."""
    story = Story()
    story.begin()
    story.start("link")
    chunks = [
        np.column_stack([np.arange(5.0), np.full(5, 0.5)]),
        np.column_stack([np.arange(250.0, 260.0), np.full(10, 0.1)]),  # needs 16 bit, and 64 bit floats
        np.column_stack([np.arange(3.0), np.full(3, np.nan)]),
    ]
    for c in chunks:
        story.table("link", "hand", "packets", {"seq": "", "x": "us"}, c)
    story.end("link")
    events = story.finish(Verdict.PASS)
    found = read(recorded(tmp_path / "run", events))
    table = summarise(found.events).stages["link"].tables["hand"]

    assert found.complete
    assert [rows for _, rows in table.files] == [5, 13]
    np.testing.assert_array_equal(Tables(tmp_path / "run")(table), np.concatenate(chunks))


@pytest.mark.parametrize("stage", ["a/b", "..", "Ünïcode stage", "x" * 300, "con", "", "a.b"])
def test_any_stage_name_gives_a_safe_file_name(tmp_path: Path, stage: str) -> None:
    data = np.arange(4.0).reshape(2, 2)
    with RunLog(tmp_path) as log:
        for name in ("t", "T"):
            log(ev.Samples(0.0, stage, name, "sweep", ("a", "b"), ("", ""), 2, "", data))
    files = [p.name for p in tmp_path.iterdir() if p.suffix == ".npy"]

    assert len({f.lower() for f in files}) == 2
    assert all(len(f) < 120 and not f.startswith((".", "-")) and f.isascii() for f in files)


# ---------------------------------------------------------------------- systems that refuse


def test_a_full_disk_is_told_once_in_a_sentence_and_what_was_recorded_is_kept(tmp_path: Path) -> None:
    """RLIMIT_FSIZE stands in for the full disk: writes stop short at a byte, as they do there."""
    script = f"""
import resource, signal, sys
sys.path.insert(0, {str(Path(__file__).parents[1])!r})
from pathlib import Path
from helpers_runs import healthy_run
from benchctl.runs.log import RunLog
from benchctl.errors import RecordLost
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
heard, lost = [], []
log = RunLog(Path(sys.argv[2]))
log.add_reader(heard.append)
events = healthy_run()
for e in events:
    try:
        log(e)
    except RecordLost as error:
        lost.append(str(error))
log.close()
assert len(heard) == len(events) + 1, (len(heard), len(events))
assert log.failure == lost[0]
print(len(lost), lost[0])
"""
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    for limit in (1500, 3001, 4096, 9000):
        folder = tmp_path / str(limit)
        folder.mkdir()
        call = [sys.executable, "-c", script, str(limit), str(folder)]
        done = subprocess.run(call, env=env, capture_output=True, text=True, check=False)

        assert done.stderr == ""
        assert done.stdout.startswith("1 cannot write ")
        found = read(folder)
        assert found.missing.startswith("the record stops before the run's end")  # and no torn line, no short table
        assert ";" not in found.missing
        assert as_read(list(found.events)) == as_read(healthy_run()[: len(found.events)])


def test_a_read_only_folder_is_told_in_a_sentence(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    try:
        if os.access(tmp_path, os.W_OK):  # the administrator may write everywhere: be somebody else
            script = (
                "import os,sys; from pathlib import Path; from benchctl.runs.log import RunLog;"
                "from benchctl.runs.folder import RunFolder; from benchctl.errors import RecordLost\n"
                "os.setgid(65534); os.setuid(65534)\n"
                "for make in (RunLog, lambda p: RunFolder.create(p / 'x'), RunFolder.create):\n"
                "    try: make(Path('.'))\n"
                "    except RecordLost as e: print(e)\n"
            )
            for parent in tmp_path.parents:
                if parent.name.startswith("pytest-"):
                    parent.chmod(0o755)
            env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONDONTWRITEBYTECODE": "1"}
            call = [sys.executable, "-c", script]
            done = subprocess.run(call, env=env, cwd=tmp_path, capture_output=True, text=True, check=False)
            assert done.stderr == ""
            told = done.stdout.splitlines()
        else:
            with pytest.raises(RecordLost) as caught:
                RunLog(tmp_path)
            told = [str(caught.value)]
    finally:
        tmp_path.chmod(stat.S_IRWXU)

    assert told
    assert all(line.startswith("cannot write ") and "Permission denied" in line for line in told)
