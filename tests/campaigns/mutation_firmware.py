"""Mutation run over the firmware's safety code: each small fault is built into the image, and the tests must notice it.

    mutation_firmware.py [FILE …] [--minutes M] [--count N] [--seed S] [--keep FILE] [--quick] [--write]

Files: those of BOARD_TESTS, all by default. Mutants come in random order, the same share of each file, until the time is
over or so many are tried. Each is built into an image; the same one as without it is no fault. What may be compiled for this machine is tried
by `tests/firmware` first, then the image runs on the avr bench, where the tests watch pins and bytes. Survivors are printed; with a kept
file what was noticed before is not tried again as long as its file is the same, and what survived is tried first. What no test can
notice stands in `equivalent.py`, with the reason; ends with 1 where any other survives. --quick: of the runs on the board only the first, so
that the survivors are an upper bound. A test that fails without any
fault is left out, and said.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.campaigns import published  # noqa: E402
from tests.campaigns.cpp_mutants import Mutant, mutants  # noqa: E402
from tests.campaigns.mutation import Hunt, Kept, Key, Stages, run_tests  # noqa: E402
from tests.safety_proof.quick_image import QuickImage  # noqa: E402

FIRMWARE = ROOT / "firmware_probe"
_SCENARIOS = "tests/safety_proof/test_scenarios.py"
_PINS = [_SCENARIOS, "-k", "otherwise", "-m", ""]
_AIR = ["tests/benches/test_over_air.py", "-k", "not procedure and not sim"]
_REST = ["tests/avr_image/test_image_outputs.py", "tests/avr_image/test_image_radio.py", "tests/avr_image/test_image.py",
         "tests/benches/test_same_answers.py", "-k", "not sim and not rebuild"]  # fmt: skip
_GUARD = [_SCENARIOS, "-k", "avr and not otherwise"]
_RANDOM = ["tests/safety_proof/test_guard_machine.py", "-k", "avr"]
#: file -> what is asked of the image, one after the other until something fails: the quickest to notice first
BOARD_TESTS = {
    "guard": [_GUARD, _REST, _RANDOM], "outputs": [_GUARD, _REST, _RANDOM], "hw_pulse": [_GUARD, _PINS, _REST],
    "control_loop": [_GUARD, _REST, _AIR], "radio": [_REST, _AIR], "relay": [_AIR, _REST], "settings": [_GUARD, _REST],
    "hw_reset": [_GUARD, _REST],
}  # fmt: skip
#: these are also compiled for this machine
_HOST = ["tests/firmware", "-k", "not outline and not random and not garbage"]
_HOST_RANDOM = ["tests/firmware", "-k", "random or garbage"]
HOST_TESTS = {name: [_HOST, _HOST_RANDOM] for name in ("guard", "outputs", "control_loop", "radio", "relay", "settings")}
#: MHz of the chips on which a file's faults are looked for
CLOCKS = {"hw_pulse": (16, 8), "hw_reset": (16, 8)}


class HostLibrary:
    """The pure part of the firmware, built for this machine with one file changed."""

    def __init__(self, image: QuickImage) -> None:
        self.folder, self.sources = image.folder, image.sources
        self._flags = ["-std=gnu++11", "-O1", "-fshort-enums", "-w", "-fPIC", f"-I{self.sources}"]
        pure = [p for p in self.sources.glob("*.cpp") if p.stem != "main" and not p.stem.startswith("hw_")]
        self._objects = {p.stem: self._compiled(p, p.stem) for p in (ROOT / "tests/firmware/host_hw.cpp", *pure)}

    def _compiled(self, path: Path, name: str) -> Path:
        out = self.folder / f"{name}.o"
        subprocess.run(["g++", *self._flags, "-c", str(path), "-o", str(out)], check=True, capture_output=True)
        return out

    def library(self, name: str) -> Path | None:
        """With that file as it is now; None where it does not compile."""
        out = self.folder / "probe.so"
        try:
            objects = {**self._objects, name: self._compiled(self.sources / f"{name}.cpp", "mutant")}
            subprocess.run(["g++", "-shared", "-o", str(out), *map(str, objects.values())], check=True, capture_output=True)
        except subprocess.CalledProcessError:
            return None
        return out


class _Library:
    """A pytest plugin: the compiled library, in place of the one that the fixture would build."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Path | None:
        if fixturedef.argname != "library":
            return None
        fixturedef.cached_result = (self.path, fixturedef.cache_key(request), None)
        return self.path


def on_host(library: Path, tests: Sequence[str]) -> Callable[[], int]:
    return lambda: run_tests(tests, [_Library(library)])


def on_board(folder: Path, tests: Sequence[str]) -> Callable[[], int]:
    """With the images of that folder in place of the shipped ones."""

    def test() -> int:
        from benchctl import shipped

        shipped.IMAGES = folder
        shipped.images.cache_clear()
        return run_tests(tests)

    return test


class Campaign:
    """The mutants, each tried against the sound build of all."""

    def __init__(self, folder: Path, runs: int | None = None) -> None:
        """runs: on the board, so many of those in BOARD_TESTS; all by default."""
        self.runs = runs
        self.quick = QuickImage(folder)
        self.images, self.healthy = folder / "images", folder / "healthy"
        self.host = HostLibrary(self.quick)
        library = self.host.library("guard")
        assert library is not None
        self.library = library.rename(folder / "healthy.so")
        self.sound = {clock: self._built(clock) for clock in (16, 8)}
        for each in (self.images, self.healthy):
            shutil.copytree(ROOT / "benchctl/data/images", each)  # with the table of them; the gauge's stay
            self._keep(each, self.sound)
        self.known: dict[bytes, bool] = {}
        self.stages = Stages()

    def _built(self, clock: int) -> bytes | None:
        path = self.quick.image(clock)
        return path.read_bytes() if path is not None else None

    def _keep(self, folder: Path, images: dict[int, bytes | None]) -> None:
        for clock, image in images.items():
            (folder / f"probe_{clock}mhz.hex").write_bytes(image or b"")

    def tried(self, name: str, mutant: Mutant) -> bool | None:
        """Whether the tests notice; None: it is no fault of the image, or does not compile."""
        source = (FIRMWARE / f"{name}.cpp").read_bytes()
        self.quick.put(f"{name}.cpp", mutant.applied(source))
        try:
            return self._tried(name)
        finally:
            self.quick.put(f"{name}.cpp", source)

    def _tried(self, name: str) -> bool | None:
        images = {clock: self._built(clock) for clock in CLOCKS.get(name, (16,))}
        if None in images.values() or all(image == self.sound[clock] for clock, image in images.items()):
            return None
        digest = hashlib.sha256(b"".join(image or b"" for image in images.values())).digest()
        if digest not in self.known:
            self._keep(self.images, images)
            self.known[digest] = self._noticed(name)
        return self.known[digest]

    def _noticed(self, name: str) -> bool:
        library = self.host.library(name) if name in HOST_TESTS else None
        if library is not None and self.stages.notice(
            HOST_TESTS[name], lambda tests: on_host(library, tests), lambda tests: on_host(self.library, tests)
        ):
            return True
        return self.stages.notice(
            BOARD_TESTS[name][: self.runs], lambda tests: on_board(self.images, tests), lambda tests: on_board(self.healthy, tests)
        )


def run(names: Sequence[str], minutes: float, seed: int, keep: Path | None, count: int | None, runs: int | None = None) -> tuple[Hunt, list[str]]:
    """The outcome, and the tests that were left out. Prints survivors as they are found."""
    import hypothesis  # noqa: F401  imported once, before the forks
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401

    import benchctl.avr.bench  # noqa: F401

    kept, out = Kept(keep), Hunt()
    todo: list[tuple[float, str, Mutant, Key]] = []
    for name in names:
        source = (FIRMWARE / f"{name}.cpp").read_bytes()
        found = mutants(source)
        out.total[name] = len(found)
        version = hashlib.sha256(source).hexdigest()[:16]
        order = random.Random(f"{seed} {name}").sample(range(len(found)), len(found))
        # files in step: whenever it ends, the same share of each has been tried
        todo += [(at / len(order), name, found[n], (name, version, n)) for at, n in enumerate(order)]
    todo = sorted(todo, key=lambda one: one[0])[:count]
    todo.sort(key=lambda one: one[3] not in kept.survived)
    print(f"{len(todo)} mutants of {len(names)} files, seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(Path(folder), runs)
        end = time.monotonic() + 60 * minutes
        gc.collect()
        gc.freeze()  # or every child would copy what its collector looks at
        for _, name, mutant, key in todo:
            if key not in kept.noticed | kept.alike:
                if time.monotonic() <= end:
                    kept.add(key, noticed=campaign.tried(name, mutant))
                elif key not in kept.survived:
                    continue
            _count(out, kept, name, mutant, key)
    return out, campaign.stages.left_out


def _count(out: Hunt, kept: Kept, name: str, mutant: Mutant, key: Key) -> None:
    if key in kept.alike:
        out.total[name] -= 1
        return
    out.tried[name] += 1
    if key in kept.noticed:
        out.noticed[name] += 1
        return
    text = (FIRMWARE / f"{name}.cpp").read_text("utf-8").splitlines()[mutant.line - 1].strip()
    out.survivors.append((name, mutant.line, mutant.what, text))
    print(f"survives: {name}.cpp:{mutant.line} {mutant.what}: {text}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", nargs="*", metavar="FILE", help="guard, outputs, …")
    parser.add_argument("--minutes", type=float, default=60.0, help="stop then (60)")
    parser.add_argument("--count", type=int, metavar="N", help="a sample of so many, of each file its share")
    parser.add_argument("--seed", type=int, default=1, help="of the order (1)")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="go on from what this file says")
    parser.add_argument("--quick", action="store_true", help="on the board the first run alone")
    parser.add_argument("--write", action="store_true", help="write the outcome into tests/campaigns/results")
    arguments = parser.parse_args()
    os.chdir(ROOT)
    chosen = [name for name in BOARD_TESTS if not arguments.files or name in arguments.files]
    out, left_out = run(chosen, arguments.minutes, arguments.seed, arguments.keep, arguments.count, 1 if arguments.quick else None)
    count = (f" --count {arguments.count}" if arguments.count else "") + (" --quick" if arguments.quick else "")
    called = f"`python tests/campaigns/mutation_firmware.py{''.join(f' {name}' for name in arguments.files)}{count} --seed {arguments.seed} --write`"
    lines = [called, "", out.share(), "", *out.table(chosen), "",
             *out.listed(), *[f"\nLeft out, it fails without any fault: `{name}`" for name in left_out]]  # fmt: skip
    print("\n".join(lines))
    if arguments.write:
        published.put("mutation firmware", "Mutation run of the firmware", lines)
    sys.exit(bool(out.open()))


if __name__ == "__main__":
    main()
