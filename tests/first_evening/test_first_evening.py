"""The first evening, rehearsed: two boards with nothing but a boot loader, and what their maker types.

On simulated chips with real boot loaders (Debian's arduino-core-avr), over pseudo-terminals, with the programmer that
makers have. Flashing goes in real time; the runs go by the chips' time, with the keyboard played by a script.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue

import pytest
from fair_time import fair_time
from needs import needs
from random_pairs import random_pair
from served_pair import ROLES, Hands, Sockets, flashed_bench, fresh_bench, missing, spec_of
from stepped import Counted, stepped
from typed import Terminal, Typist

from benchctl import pairfile
from benchctl.arguments import main
from benchctl.avr.bench import AvrBench
from benchctl.facts import Line, LineBroken, WiringUnsure
from benchctl.operate import default_root
from benchctl.pairfile import PairSpec
from benchctl.pairfile.keeping import keep
from benchctl.ports.outlets import PtyOutlet
from benchctl.runs.folder import list_runs
from benchctl.runs.log import read
from benchctl.runs.summary import Summary, summarise
from benchctl.serve import Server
from benchctl.terms import Role, Verdict

pytestmark = [
    needs(missing()),
    pytest.mark.long,
    pytest.mark.timeout(1800),
]
#: of pairs drawn by the generator, at 16 MHz
SEEDS = (5,)
#: of bring-up, with what they need
BROUGHT_UP = ("outputs", "link", "controls")


class Evening:
    """The bench, the sockets and the maker's home folder. flashed: somebody has put the probe firmware on already."""

    def __init__(
        self, pair: PairSpec, physics: str, folder: Path, patch: pytest.MonkeyPatch, *, flashed: bool = False
    ) -> None:
        self.pair, self.patch = pair, patch
        self.places = folder / "ports"
        self.places.mkdir()
        home = folder / "home"
        (home / "config/benchctl").mkdir(parents=True)
        (home / "config/benchctl/benchctl.toml").write_text(f'ports = ["{self.places}/*"]\n')
        patch.setenv("HOME", str(home))
        patch.setenv("XDG_CONFIG_HOME", str(home / "config"))
        patch.setenv("XDG_DATA_HOME", str(home / "data"))
        patch.setattr("benchctl.ports.discover.list_ports.comports", list)
        # a busy machine's chips are slower than real time
        patch.setattr("benchctl.ports.loader._ASKED_S", 4.0)
        patch.setattr("benchctl.ports.loader.APART_S", 1.0)
        make = flashed_bench if flashed else fresh_bench
        self.bench: AvrBench = make(spec_of(pair, physics), folder)
        self._gone_wrong: BaseException | None = None
        self.last_words = ""  # of the last command, at the terminal

    @contextmanager
    def in_real_time(self) -> Iterator[Callable[[Callable[[Sockets], object]], object]]:
        """The boards served; gives a way to have something done with the cables."""
        outlets = {role: PtyOutlet() for role in ROLES}
        server = Server(self.bench, dict(outlets))
        sockets = Sockets(self.bench, server._outlets, self.places, PtyOutlet)  # type: ignore[arg-type]
        orders: SimpleQueue[tuple[Callable[[Sockets], object], SimpleQueue[object]]] = SimpleQueue()
        over = threading.Event()

        def look() -> bool:
            while not orders.empty():
                act, done = orders.get()
                done.put(act(sockets))
            return over.is_set()

        def order(act: Callable[[Sockets], object]) -> object:
            done: SimpleQueue[object] = SimpleQueue()
            orders.put((act, done))
            return done.get(timeout=300.0)

        thread = threading.Thread(target=server.run, args=(look,))
        thread.start()
        try:
            with fair_time():
                yield order
        finally:
            over.set()
            thread.join()
            sockets.close()

    def flash_both(self, say: Callable[[], str]) -> None:
        """`boards`, then `flash`, one board after the other."""
        for role in ROLES:
            with self.in_real_time() as order:
                port = str(order(lambda s, role=role: s.plug(role)))  # type: ignore[misc]
                main(["boards"])
                assert "a boot loader answers" in say()
                assert main(["flash", port]) == 0
                assert main(["boards"]) == 0
                assert "a board that nobody has set up yet" in say()

    @contextmanager
    def by_the_chips_time(self) -> Iterator[Sockets]:
        """The boards served in stepped time, with the typist at the terminal; closes the bench at the end."""
        with stepped(self.bench, self.patch) as time:
            sockets = Sockets(self.bench, time.outlets, self.places, Counted)
            typist = Typist(Hands(self.bench), sockets.plug, sockets.unplug, self._servo())
            self._typist = typist
            step = time.step

            def looked(deadline: float) -> None:
                if self._gone_wrong is None:
                    try:
                        typist.look()
                    except BaseException as e:  # the run would take it for a fault of a stage
                        self._gone_wrong = e
                        signal.raise_signal(signal.SIGINT)
                step(min(deadline, time.now() + 0.05))

            time.step = looked  # type: ignore[method-assign]
            yield sockets

    def types(self, *words: str) -> int:
        """A command at a terminal of its own; its exit code."""
        terminal = self._typist.terminal = Terminal(self.patch)
        try:
            code = main(words)
        finally:
            self._typist.terminal = None
            self.last_words = (self._typist.seen + terminal.read())[-2000:]
            terminal.close()
            if self._gone_wrong is not None:
                raise self._gone_wrong
        return code

    def _servo(self) -> str:
        outputs = self.pair.boards[Role.CRAFT].output
        return next(name for name, one in outputs.items() if one.drives == "servo")


def last_run() -> Summary:
    """The run that ended last."""
    newest = max(list_runs(default_root()), key=lambda p: (p.name[:15], p.stat().st_mtime_ns))
    return summarise(read(newest).events)


@pytest.mark.parametrize("seed", SEEDS)
def test_from_the_boot_loader_to_confirmed_outputs_link_and_controls(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stranger's boards are flashed, set up, brought up so far; every pin is named rightly, all passes, no harm."""
    evening = Evening(random_pair(seed), "", tmp_path, monkeypatch)
    evening.flash_both(lambda: capsys.readouterr().out)
    with evening.by_the_chips_time() as sockets:
        assert evening.types("run", "set-up", "--bench", "ports") == 0, [s.reason for s in last_run().stages.values()]
        (name,) = pairfile.own()
        for role in ROLES:
            sockets.unplug(role)
        only = [word for stage in BROUGHT_UP for word in ("--only", stage)]
        code = evening.types("run", "bring-up", *only, "--bench", "ports", "--pair", name)
    run = last_run()

    assert [(s.name, s.verdict, s.reason) for s in run.stages.values() if s.verdict is not Verdict.PASS] == []
    assert code == 0
    assert not run.simulated
    found = pairfile.load(name)
    for role in ROLES:
        assert _wired(found, role) == _wired(evening.pair, role)
    assert [str(entry) for entry in evening.bench.harm.entries] == []


@pytest.mark.parametrize("seed", SEEDS)
def test_the_whole_bring_up_to_its_last_verdict(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Flashed boards, told nothing, and the pair file as their maker wrote it: every stage passes, down to the soak.

    By itself, since after the evening above it would take twice as long as a test may.
    """
    pair = random_pair(seed)
    evening = Evening(pair, "", tmp_path, monkeypatch, flashed=True)
    keep(pair)
    with evening.by_the_chips_time():
        code = evening.types("run", "bring-up", "--bench", "ports", "--pair", pair.name)
    run = last_run()

    assert [(s.name, s.verdict, s.reason) for s in run.stages.values() if s.verdict is not Verdict.PASS] == []
    assert code == 0
    assert run.stages.keys() >= {"esc_arming", "throttle_ramp", "link_loss_cut", "soak"}
    assert [str(entry) for entry in evening.bench.harm.entries] == []


def _wired(pair: PairSpec, role: Role) -> dict[str, str]:
    """Function by port; of pulse outputs what they drive, since numbers are the owner's."""
    board = pair.boards[role]
    drives = {name: str(output.drives) for name, output in board.output.items()}
    return {port: drives.get(function, function) for function, port in board.wired().items()}


def test_one_line_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """The craft's CE wire is broken: set-up says that it has not found it, and once its maker states where it was meant
    to be, bring-up names the line; nothing is hurt on the way."""
    physics = "[board.craft.radio.ce]\nseries_ohms = 1e7\n"
    evening = Evening(random_pair(SEEDS[0]), physics, tmp_path, monkeypatch)
    evening.flash_both(lambda: capsys.readouterr().out)
    with evening.by_the_chips_time() as sockets:
        assert evening.types("run", "set-up", "--bench", "ports") == 3
        (name,), searched = pairfile.own(), last_run()
        for role in ROLES:
            sockets.unplug(role)
        file = pairfile.own()[name]
        pin = evening.pair.boards[Role.CRAFT].pin("radio_ce")
        file.write_text(file.read_text().replace("[board.craft.pins]\n", f'[board.craft.pins]\nradio_ce = "{pin}"\n'))
        code = evening.types("run", "bring-up", "--only", "transceiver", "--bench", "ports", "--pair", name)
    run = last_run()

    unsure = [f for s in searched.stages.values() for f in s.facts if isinstance(f, WiringUnsure)]
    assert [(f.board, f.key) for f in unsure] == [(Role.CRAFT, "pins.radio_ce")]
    broken = [f for s in run.stages.values() for f in s.facts if isinstance(f, LineBroken)]
    assert [(f.board, f.line) for f in broken] == [(Role.CRAFT, Line.CE)]
    assert code == 1
    assert [str(entry) for entry in evening.bench.harm.entries] == []
