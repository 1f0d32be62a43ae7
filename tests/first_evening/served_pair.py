"""A stranger's pair as it lies on the bench on the first evening: real chips' simulations that hold nothing but a boot
loader, EEPROM blank, no cable plugged in. Its ports are links in a folder that come and go with the cables.

By hand, beside a terminal with the tool in it:

    python tests/first_evening/served_pair.py FOLDER --seed 5

and type there what a person's hands and eyes do: `plug hand`, `unplug craft`, `hold_switch hand switch1`,
`count_blinks hand`, `meter craft rail.main.ohms_to_ground`; what was seen is printed.
"""

from __future__ import annotations

import argparse
import itertools
import select
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "avr_flash"))
sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from boot_loaders import OLDER, OLDER_8_MHZ, as_hex, built_newer, loader_and_start, start_at
from random_pairs import random_pair

from benchctl import benchfile
from benchctl.avr.bench import AvrBench
from benchctl.avr.build_shim import available
from benchctl.benchfile import BenchSpec
from benchctl.errors import OperatorAbsent
from benchctl.events import Prompt, PromptKind
from benchctl.pairfile import PairSpec
from benchctl.ports.outlets import PtyOutlet
from benchctl.serve import Server
from benchctl.terms import Role

ROLES = (Role.HAND, Role.CRAFT)


def spec_of(pair: PairSpec, physics: str = "") -> BenchSpec:
    """A healthy bench of the pair that nobody has told anything; physics: lines of a bench file over it."""
    return benchfile.parse(f'kind = "avr"\n{physics}'.encode(), "evening.toml", pair=pair).unspoken()


def fresh_bench(spec: BenchSpec, folder: Path) -> AvrBench:
    """Chips with a loader each: the older one, of the craft at 16 MHz the newer one; unplugged."""
    images, starts = {}, {}
    for role in ROLES:
        loader = OLDER if spec.boards[role].clock_hz == 16_000_000 else OLDER_8_MHZ
        if role is Role.CRAFT and loader is OLDER:
            loader = built_newer(folder)
        whole, starts[role] = loader_and_start(loader)
        images[role] = folder / f"{role}-loader.hex"
        images[role].write_text(as_hex(whole))
    bench = AvrBench(spec, images)
    for role in ROLES:
        start_at(bench.chips[role], starts[role])
        bench.world.boards[role].power_off(bench.now())
    return bench


def flashed_bench(spec: BenchSpec, folder: Path) -> AvrBench:
    """Chips with the probe firmware, unplugged."""
    bench = AvrBench(spec)
    for role in ROLES:
        bench.world.boards[role].power_off(bench.now())
    return bench


def missing() -> str:
    """What this machine lacks for an evening, "" when nothing."""
    for program in ("avrdude", "avr-gcc"):
        if shutil.which(program) is None:
            return f"{program} is not installed"
    if not OLDER.is_file():
        return "the package arduino-core-avr is not installed"
    return available() or ""


class Sockets:
    """Where cables are plugged in: a link in `folder` for each board that is; every time a new name.

    outlets: as they are served; fresh: makes one, for a cable that is plugged in again.
    """

    def __init__(
        self, bench: AvrBench, outlets: dict[Role, Any], folder: Path, fresh: Callable[[], PtyOutlet]
    ) -> None:
        self.folder = folder
        self._bench, self._outlets, self._fresh = bench, outlets, fresh
        self._numbers = itertools.count()
        self._pulled: set[Role] = set()
        self._places: dict[Role, Path] = {}

    def plug(self, role: Role) -> str:
        """The board gets USB, and its port appears."""
        if role not in self._places:
            if role in self._pulled:
                self._pulled.remove(role)
                self._outlets[role] = self._fresh()
            self._bench.world.boards[role].power_on(self._bench.now())
            place = self._places[role] = self.folder / f"port{next(self._numbers)}"
            place.symlink_to(self._outlets[role].name)
        return str(self._places[role])

    def unplug(self, role: Role) -> None:
        if role in self._places:
            self._places.pop(role).unlink()
            self._pulled.add(role)
            outlet = self._outlets[role]
            outlet.pull() if hasattr(outlet, "pull") else outlet.close()
            self._bench.world.boards[role].power_off(self._bench.now())


    def close(self) -> None:
        """All cables out, and no port any more."""
        for role, outlet in self._outlets.items():
            self.unplug(role)
            if role not in self._pulled:
                outlet.close()


class Hands:
    """A person's hands and eyes, lent by the modelled operator, without what it knows of the tool."""

    def __init__(self, bench: AvrBench) -> None:
        self._bench = bench
        self._person = bench.world.operator
        self._numbers = itertools.count(1_000_000)

    def begin(self, action: str, role: Role | None, detail: str = "", choices: tuple[str, ...] = ()) -> Prompt:
        """Begin to do or to look at something."""
        number, kind = next(self._numbers), PromptKind.CHOICE if choices else PromptKind.TEXT
        prompt = Prompt(self._bench.now(), "", number, kind, "", action, role, detail, choices=choices)
        self._person.show(prompt)
        return prompt

    def seen(self, prompt: Prompt) -> str | None:
        """What came of it, None while it is going on."""
        answer = self._person.answer_nowait(prompt)
        if answer is not None:
            self._person.withdraw(prompt)
        return answer


# ---------------------------------------------------------------------- by hand


def _line() -> str:
    return sys.stdin.readline() if select.select([sys.stdin], [], [], 0)[0] else ""


class _Desk:
    """Takes typed commands while the pair is served."""

    def __init__(self, sockets: Sockets, hands: Hands) -> None:
        self._sockets, self._hands = sockets, hands
        self._going_on: list[Prompt] = []
        self.over = False

    def look(self) -> bool:
        for prompt in tuple(self._going_on):
            seen = self._hands.seen(prompt)
            if seen is not None:
                print(f"{prompt.action}: {seen}", flush=True)
                self._going_on.remove(prompt)
        line = _line()
        if line:
            try:
                self._obey(line.split())
            except (ValueError, OperatorAbsent, IndexError) as e:
                print(f"not done: {e}", flush=True)
        return self.over

    def _obey(self, words: list[str]) -> None:
        match words:
            case ["quit"]:
                self.over = True
            case ["plug", role]:
                print(self._sockets.plug(Role(role)), flush=True)
            case ["unplug", role]:
                self._sockets.unplug(Role(role))
            case [action, role, *detail]:
                self._going_on.append(self._hands.begin(action, Role(role), " ".join(detail), _choices(action)))


def _choices(action: str) -> tuple[str, ...]:
    return ("yes", "no") if action in ("watch_outputs",) else ()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--physics", default="", help="lines of a bench file")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        bench = fresh_bench(spec_of(random_pair(given.seed), given.physics), Path(scratch))
        outlets = {role: PtyOutlet() for role in ROLES}
        server = Server(bench, dict(outlets))
        desk = _Desk(Sockets(bench, server._outlets, given.folder, PtyOutlet), Hands(bench))
        try:
            server.run(desk.look)
        finally:
            server.close()
    print(f"slower than real time {server.slips} times; harm: {[str(e) for e in bench.harm.entries]}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
