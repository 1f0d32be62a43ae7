"""The plain shell example for a firmware's own repository, as somebody would run it there."""

from __future__ import annotations

import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from test_gauge import change_called, need

from tests.hobby_pair.changes import Change, build

SCRIPT = Path(__file__).parents[2] / "firmware_probe" / "examples" / "black_box.sh"


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    root = SCRIPT.parents[2]
    around = {**os.environ, "BENCHCTL": f"{sys.executable} -m benchctl", "PYTHONPATH": str(root)}
    return subprocess.run([str(SCRIPT), *map(str, arguments)], env=around, cwd=root, text=True, capture_output=True)


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    need("avr")
    made = {}
    for name, change in (("now", Change("none")), ("broken", change_called("channel changed on one side"))):
        built = build(change, tmp_path_factory.mktemp(name))
        made[name] = [built["hand"], built["craft"]]
    return made


def test_two_images_give_junit_and_a_page(images: dict[str, list[str]], tmp_path: Path) -> None:
    """A broken pair costs little time: what needs the wiring is not run. Exit code 1, and a case says why."""
    done = run(tmp_path / "out", *images["broken"])

    assert done.returncode == 1, done.stderr
    suite = ET.parse(tmp_path / "out" / "black-box.xml").getroot()[0]
    failed = [c.get("name") for c in suite.iter("testcase") if c.find("failure") is not None]
    assert failed == ["wiring"]
    assert "<svg" in (tmp_path / "out" / "report.html").read_text("utf-8")


@pytest.mark.long
def test_against_the_images_before(images: dict[str, list[str]], tmp_path: Path) -> None:
    """The good pair is the reference, the broken one the new firmware: a case per reading, the right ones failed."""
    done = run(tmp_path / "out", *images["broken"], *images["now"])

    assert done.returncode == 1, done.stderr
    suite = ET.parse(tmp_path / "out" / "black-box.xml").getroot()[0]
    failed = {c.get("name") for c in suite.iter("testcase") if c.find("failure") is not None}
    assert {"follows_switch", "follows_stick"} <= failed
    assert "the craft board's image was craft.elf" in done.stdout


def test_wrong_use_is_2(tmp_path: Path) -> None:
    assert run(tmp_path / "out", "one.elf").returncode == 2
    done = run(tmp_path / "out", tmp_path / "no.elf", tmp_path / "no.elf")
    assert done.returncode == 2
    assert "no.elf" in done.stderr
