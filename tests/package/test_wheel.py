"""What is shipped: built here, looked through, installed into an environment of its own and used there.

The long ones build; those that install fetch the dependencies with pip, which wants its network or its cache.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import Any

import pytest
from needs import need, need_avr, need_module, need_program

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "firmware_probe" / "examples" / "own_repository"
#: what else a source distribution holds
OF_SOURCES = ("pyproject.toml", "README.md", "DEVELOPERS.md", ".licence", "procedures", "firmware_probe", "tests")

pytestmark = pytest.mark.long


def _called(*call: object, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(c) for c in call], capture_output=True, text=True, **more)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The wheel and the source distribution, by suffix; the wheel is made from the latter."""
    for name in ("build", "hatchling", "twine"):
        need_module(name)
    to = tmp_path_factory.mktemp("dist")
    done = _called(sys.executable, "-m", "build", "--no-isolation", "--outdir", to, ROOT)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return {path.suffix: path for path in to.iterdir()}


def ours() -> set[str]:
    """Every file of the package and of its procedures, by its name in the wheel."""
    folders = [ROOT / "benchctl", ROOT / "procedures"]
    found = {p for folder in folders for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    names = {p.relative_to(ROOT).as_posix() for p in found}
    return {f"benchctl/{n}" if n.startswith("procedures/") else n for n in names}


def test_the_wheel_holds_the_package_and_nothing_else(built: dict[str, Path]) -> None:
    with zipfile.ZipFile(built[".whl"]) as wheel:
        names = set(wheel.namelist())
        (about,) = {n.partition("/")[0] for n in names if ".dist-info/" in n}
        entries = wheel.read(f"{about}/entry_points.txt").decode()

    assert {n for n in names if not n.startswith(about)} == ours()
    assert {n.rpartition("/")[2] for n in names if n.startswith(about)} == {
        *("METADATA", "WHEEL", "RECORD", "entry_points.txt", ".licence"),
    }
    assert "benchctl = benchctl.cli:main" in entries
    assert "[pytest11]" in entries
    assert "benchctl/py.typed" in names


def test_the_source_distribution_holds_what_it_is_built_and_tested_from(built: dict[str, Path]) -> None:
    with tarfile.open(built[".gz"]) as sources:
        names = {n.partition("/")[2] for n in sources.getnames()}

    inside = {f"benchctl/{n.removeprefix('benchctl/')}" for n in ours() if "/procedures/" not in n}
    assert inside <= names
    for name in OF_SOURCES:
        assert any(n == name or n.startswith(f"{name}/") for n in names), name
    assert not [n for n in names if "__pycache__" in n or n.endswith((".pyc", ".sqlite"))]


def test_twine_finds_nothing(built: dict[str, Path]) -> None:
    """An index would take and show them."""
    done = _called(sys.executable, "-m", "twine", "check", "--strict", *built.values())

    assert done.returncode == 0, done.stdout
    assert done.stdout.count("PASSED") == 2


@pytest.fixture(scope="module")
def fresh(built: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel and pytest alone; its folder of programs."""
    need_avr()
    need_program("avr-g++")
    folder = tmp_path_factory.mktemp("fresh") / "venv"
    assert _called(sys.executable, "-m", "venv", folder).returncode == 0
    programs = folder / ("Scripts" if sys.platform == "win32" else "bin")
    done = _called(programs / "python", "-m", "pip", "install", "-q", "--no-compile", built[".whl"], "pytest")
    need(f"pip could not fetch the dependencies: {done.stderr.strip()[-200:]}" if done.returncode else None)
    return programs


def ci(programs: Path, folder: Path, *options: str, more: str = "") -> subprocess.CompletedProcess[str]:
    """The example's one shell line, with no more than that environment."""
    around = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PYTEST", "BENCHCTL", "COV"))}
    around |= {"PATH": f"{programs}{os.pathsep}{os.environ['PATH']}", "MORE": more}
    return _called("sh", "ci.sh", "-p", "no:cacheprovider", *options, cwd=folder, env=around)


def test_the_example_repository_passes_with_the_wheel_alone(fresh: Path, tmp_path: Path) -> None:
    """Copied elsewhere: all five tests on `avr`, fixtures by the entry point, none of it from this folder."""
    folder = shutil.copytree(EXAMPLE, tmp_path / "repository")
    where = _called(fresh / "python", "-c", "import benchctl; print(benchctl.__file__)", cwd=folder).stdout
    done = ci(fresh, folder)

    assert where.startswith(str(fresh.parent))
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert "5 passed" in done.stdout


def test_there_a_changed_image_fails_with_reading_interval_and_limit(fresh: Path, tmp_path: Path) -> None:
    """The LED looked at every 90 turns of the loop only: up to 50 ms late."""
    folder = shutil.copytree(EXAMPLE, tmp_path / "repository")
    done = ci(fresh, folder, "-k", "led or alive", more="-DLED_TURNS=90")

    assert done.returncode == 1, done.stdout[-3000:] + done.stderr[-1000:]
    assert "1 failed, 1 passed" in done.stdout
    (line,) = [one for one in done.stdout.splitlines() if "gauge_switch_to_led.within fail: " in one and one.startswith("E")]
    assert "), limit at least 99 %" in line
