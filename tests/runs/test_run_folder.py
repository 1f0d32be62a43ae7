"""Run folders: names, one writer, sealing, listing, clear refusals."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from helpers_runs import small_run

from benchctl.errors import RecordLost, UsageError
from benchctl.runs.folder import (
    LOCK,
    MANIFEST,
    RunFolder,
    being_written,
    list_runs,
    opened,
    run_name,
    sealed,
    verify,
)
from benchctl.runs.log import LOG, RunLog

ROOT = Path(__file__).parents[2]


def whole(path: Path) -> Path:
    with RunFolder.create(path) as folder:
        with RunLog(path) as log:
            for e in small_run():
                log(e)
        folder.seal()
    return path


def test_names_sort_by_time_and_say_what_was_run() -> None:
    assert run_name("2026-03-14T10:15:30Z", "bring-up", "3fa9") == "20260314-101530-bring-up-3fa9"
    assert run_name("2026-03-14T10:15:30+00:00", "../My Procedure!", "") == "20260314-101530-my-procedure-0"
    assert run_name("2026-03-14T10:15:30Z", "é", "a" * 99) == "20260314-101530-run-aaaaaaaaaaaa"


def test_a_sealed_run_is_read_only_and_matches_its_manifest(tmp_path: Path) -> None:
    path = whole(tmp_path / "run")
    writable = stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH

    assert sealed(path)
    assert verify(path) == []
    assert not (path / LOCK).exists()
    assert not any(p.stat().st_mode & writable for p in (path, *path.iterdir()))


def test_the_sums_are_those_of_an_independent_program(tmp_path: Path) -> None:
    """sha256sum of the system against the manifest."""
    path = whole(tmp_path / "run")
    told = subprocess.run(["sha256sum", path / LOG], capture_output=True, text=True, check=True).stdout.split()[0]

    assert told in (path / MANIFEST).read_text()


def test_what_was_changed_missing_or_added_is_named(tmp_path: Path) -> None:
    path = whole(tmp_path / "run")
    path.chmod(0o755)
    (path / LOG).chmod(0o644)
    with open(path / LOG, "a") as f:
        f.write("\n")
    (path / "supply--craft--burst.npy").unlink()
    (path / "extra.txt").write_text("x")

    assert verify(path) == [
        "events.jsonl was changed after the run",
        "supply--craft--burst.npy is missing",
        "extra.txt was added after the run",
    ]


@pytest.mark.parametrize("text", ["", "[]", '{"files": 3}', "{", '{"fil', "[" * 100_000])
def test_a_damaged_manifest_is_one_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / LOG).write_text("")
    (tmp_path / MANIFEST).write_text(text)
    with pytest.raises(UsageError, match="is damaged; expected an object"):
        verify(tmp_path)


def test_an_unsealed_run_cannot_be_verified(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not sealed"):
        verify(tmp_path)


def test_the_second_writer_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with RunFolder.create(tmp_path / "run"):
        with pytest.raises(UsageError, match="is being written by another benchctl"):
            RunFolder.create(tmp_path / "run")
        call = [sys.executable, "-c", f"from pathlib import Path; from benchctl.runs.folder import RunFolder\n"
                f"try: RunFolder.create(Path({str(tmp_path / 'run')!r}))\nexcept Exception as e: print(e)"]  # fmt: skip
        done = subprocess.run(
            call, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True
        )

        assert "is being written by another benchctl" in done.stdout
        assert being_written(tmp_path / "run")
    assert not being_written(tmp_path / "run")


def test_a_killed_writer_leaves_no_lock_behind(tmp_path: Path) -> None:
    script = (
        "import os,signal; from pathlib import Path; from benchctl.runs.folder import RunFolder\n"
        f"f = RunFolder.create(Path({str(tmp_path / 'run')!r}))\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", script], env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)

    assert (tmp_path / "run" / LOCK).exists()
    assert not being_written(tmp_path / "run")
    RunFolder.create(tmp_path / "run").close()


def test_a_run_is_never_written_over(tmp_path: Path) -> None:
    path = whole(tmp_path / "run")
    with pytest.raises(UsageError, match="a run is never written over"):
        RunFolder.create(path)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match=r"holds other files \(notes\.txt\)"):
        RunFolder.create(tmp_path / "other")


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("")
    with pytest.raises(UsageError, match="is a file, a run needs a folder"):
        RunFolder.create(tmp_path / "run")
    with pytest.raises(RecordLost, match="Not a directory"):
        RunFolder.create(tmp_path / "run" / "below")


def test_what_is_no_run_folder_is_refused_with_the_reason(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for path, sentence in (
        (tmp_path / "nothing", "does not exist; expected a run folder"),
        (tmp_path / "file", "is a file; expected a run folder"),
        (tmp_path, "is no run folder: it has no events.jsonl"),
    ):
        with pytest.raises(UsageError, match=sentence):
            opened(path)


def test_runs_are_listed_by_name_and_other_things_are_left_out(tmp_path: Path) -> None:
    for name in ("20260315-a", "20260314-b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / LOG).write_text("")
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("")

    assert [p.name for p in list_runs(tmp_path)] == ["20260314-b", "20260315-a"]
    assert list_runs(tmp_path / "nowhere") == []
    with pytest.raises(UsageError, match="cannot be read"):
        list_runs(tmp_path / "file")
