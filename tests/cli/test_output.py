"""What a command leaves behind: exit code, output, record; also when a run fails, is stopped or loses its disk."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers_disk import full_disk

from benchctl import __version__, operate, signals
from benchctl.cli import main
from benchctl.runs.folder import MANIFEST, RunFolder, sealed, verify
from benchctl.runs.log import read
from benchctl.runs.summary import summarise

FAILS = 'name = "p"\n[[stage]]\nkind = "identity"\n[stage.limits]\nstack_free = {min = 1e6}\n'
NOT_RUN = 'name = "p"\n[[stage]]\nkind = "before_power"\n'
PASSES = 'name = "p"\n[[stage]]\nkind = "identity"\n'


@pytest.fixture
def perform(tmp_path: Path) -> Callable[..., int]:
    def call(procedure: str, *more: str) -> int:
        path = tmp_path / "p.toml"
        path.write_text(procedure)
        return main(["run", str(path), "--quiet", "--out", str(tmp_path / "runs"), *more])

    return call


def only_run(tmp_path: Path) -> Path:
    (folder,) = (tmp_path / "runs").iterdir()
    return folder


@pytest.mark.parametrize(
    ("procedure", "more", "code", "verdict"),
    [(PASSES, (), 0, "pass"), (FAILS, (), 1, "fail"), (NOT_RUN, ("--nobody",), 3, "undecided")],
)
def test_json_is_one_object_and_the_code_its_verdict(
    procedure: str, more: tuple[str, ...], code: int, verdict: str, perform, capsys: pytest.CaptureFixture[str]
) -> None:
    assert perform(procedure, "--json", *more) == code
    out, err = capsys.readouterr()
    assert err == ""
    assert json.loads(out)["verdict"] == verdict


def test_json_of_a_stopped_run(perform, monkeypatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A stop before the first stage: one object, one sentence, exit code 3, the record sealed."""
    monkeypatch.setattr(signals, "on_signals", lambda stop: stop("signal"))

    assert perform(PASSES, "--json") == 3
    out, err = capsys.readouterr()
    assert json.loads(out)["verdict"] == "undecided"
    assert err == "benchctl: stopped by the operator\n"
    assert sealed(only_run(tmp_path))


def test_progress_goes_to_standard_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "p.toml"
    path.write_text(PASSES)

    assert main(["run", str(path), "--json", "--out", str(tmp_path / "runs")]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["verdict"] == "pass"
    assert "✓ Identity: pass" in err


def test_a_bug_of_ours_is_one_sentence_and_a_sealed_record(
    perform, monkeypatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("out of order")

    monkeypatch.setattr("benchctl.operate.Runner", broken)

    assert perform(PASSES, "--json") == 3
    out, err = capsys.readouterr()
    assert err == "benchctl: a fault of benchctl itself, please report it: RuntimeError: out of order\n"
    assert json.loads(out)["exit_code"] == 3
    assert sealed(only_run(tmp_path))


def test_version_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom benchctl.cli import main\n"
        "try: main(['--version'])\nexcept SystemExit as e: assert e.code == 0\n"
        "print([m for m in ('textual', 'scipy', 'matplotlib', 'numpy', 'serial', 'cffi') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.splitlines() == [f"benchctl {__version__}", "[]"]
    assert done.stderr == ""


def test_an_encoding_without_our_signs(run: Path) -> None:
    """A terminal that knows ASCII only gets the report with question marks, no traceback."""
    call = [sys.executable, "-m", "benchctl", "report", str(run)]
    done = subprocess.run(
        call, capture_output=True, env={"PYTHONIOENCODING": "ascii", "PYTHONPATH": ":".join(sys.path)}
    )

    assert done.returncode == 0
    assert done.stderr == b""
    assert b"mudlark-hand-01" in done.stdout


def test_a_reader_that_goes_away(run: Path) -> None:
    call = f"{sys.executable} -m benchctl report {run} --format html | head -c 10"
    done = subprocess.run(call, shell=True, capture_output=True, env={"PYTHONPATH": ":".join(sys.path)})

    assert done.stdout
    assert done.stderr == b""


# ---------------------------------------------------------------------- one run folder, one port


def test_a_folder_that_is_being_written(perform, monkeypatch, capsys, tmp_path: Path) -> None:
    monkeypatch.setattr(operate, "run_name", lambda *_: "same")
    with RunFolder.create(tmp_path / "runs" / "same"):
        assert perform(PASSES) == 2
    assert "is being written by another benchctl" in capsys.readouterr().err


def test_a_folder_that_holds_a_run(perform, monkeypatch, capsys, tmp_path: Path) -> None:
    monkeypatch.setattr(operate, "run_name", lambda *_: "same")
    assert perform(PASSES) == 0
    assert perform(PASSES) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "a run is never written over" in err
    assert verify(tmp_path / "runs" / "same") == []


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_a_port_that_another_has(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import fcntl
    import os
    import pty

    master, slave = pty.openpty()
    try:
        fcntl.flock(slave, fcntl.LOCK_EX | fcntl.LOCK_NB)
        bench = tmp_path / "bench.toml"
        bench.write_text(
            f'kind = "serial"\npair = "mudlark"\n[board.hand]\nport = "{os.ttyname(slave)}"\n[board.craft]\nport = "/dev/no"\n'
        )
        code = main(["run", "radio-link", "--quiet", "--bench", str(bench), "--out", str(tmp_path / "runs")])
    finally:
        os.close(master)
        os.close(slave)
    err = capsys.readouterr().err

    assert code in (2, 3)
    assert err.count("\n") == 1
    assert "in use" in err or "busy" in err


# ---------------------------------------------------------------------- the disk


@pytest.mark.parametrize("most", [0, 700, 9_000, 25_000])
def test_a_full_disk(most: int, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """One sentence, exit code 3, one JSON object; what was recorded opens, and stages that had ended are whole."""
    main_arguments = ["run", "radio-link", "--quiet", "--json", "--seed", "5", "--out", str(tmp_path / "runs")]
    with full_disk(most):
        code = main(main_arguments)
    out, err = capsys.readouterr()

    assert code == 3
    assert err.startswith("benchctl: cannot write ")
    assert err.endswith("File too large\n")
    assert err.count("\n") == 1
    assert json.loads(out)["verdict"] is None or json.loads(out)["verdict"] == "undecided"
    folder = only_run(tmp_path)
    found = read(folder)
    assert "damaged" not in found.missing
    assert "rows" not in found.missing
    assert "the record stops before the run's end" in found.missing
    if most >= 25_000:
        assert summarise(found.events).stages["identity"].verdict is not None
    assert not (folder / MANIFEST).exists()
    assert not (folder / "lock").exists()


def test_no_room_for_the_reports(run: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The record is whole and sealed, the report that did not fit is left out, and a sentence says so."""
    largest = max(p.stat().st_size for p in run.iterdir() if not p.name.startswith("report"))
    assert largest + 3000 < (run / "report.html").stat().st_size
    with full_disk(largest + 3000):
        code = main(["run", "radio-link", "--quiet", "--seed", "5", "--out", str(tmp_path / "runs")])
    err = capsys.readouterr().err
    folder = only_run(tmp_path)

    assert code == 3
    assert "report.html: cannot be written" in err
    assert read(folder).complete
    assert not (folder / "report.html").exists()
    assert verify(folder) == []


def test_a_clock_that_jumps_back(perform, monkeypatch, capsys, tmp_path: Path) -> None:
    """The machine's clock goes from 2026 to 2001 while the run is on: it is recorded, read and listed all the same."""
    told = iter(["2026-03-14T10:15:30Z", "2001-01-01T00:00:00Z", "2001-01-01T00:00:00Z"])
    monkeypatch.setattr(operate, "_utc", lambda: next(told))

    assert perform(PASSES) == 0
    assert main(["report", str(only_run(tmp_path))]) == 0
    assert main(["runs", "--runs", str(tmp_path / "runs")]) == 0
    assert "20260314-101530-p" in capsys.readouterr().out
