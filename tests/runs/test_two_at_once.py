"""A workshop with several benches: runs at the same time into one folder, and folders of several machines in one."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchctl.runs.folder import verify
from benchctl.runs.history import boards
from benchctl.runs.index import list_rows
from benchctl.terms import Verdict

PROCEDURE = 'name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0.5\n'


@pytest.mark.long
def test_runs_at_once_and_gathered(tmp_path: Path) -> None:
    """Two processes into each of two folders; all copied into one: four runs, whole, of two boards."""
    procedure = tmp_path / "p.toml"
    procedure.write_text(PROCEDURE)
    call = [sys.executable, "-m", "benchctl", "run", str(procedure), "--quiet", "--json", "--seed", "3", "--out"]
    machines = [tmp_path / "one", tmp_path / "two"]
    going = [subprocess.Popen([*call, str(m)], stdout=subprocess.PIPE, text=True) for m in machines * 2]
    told = [json.loads(process.communicate()[0]) for process in going]
    for machine in machines:
        assert len(list_rows(machine)) == 2
        shutil.copytree(machine, tmp_path / "all", dirs_exist_ok=True)

    rows = list_rows(tmp_path / "all")
    assert {r.name for r in rows} == {t["run"] for t in told}
    assert len(rows) == 4
    assert {r.verdict for r in rows} == {Verdict.PASS}
    assert [len(h.runs) for h in boards(rows)] == [4, 4]
    assert [verify(tmp_path / "all" / r.name) for r in rows] == [[]] * 4
