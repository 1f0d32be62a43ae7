"""Offers the boards of a simulated bench as serial ports, paced as real time, to any serial program."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from benchctl.bench import Bench
from benchctl.benchfile import BenchSpec
from benchctl.errors import PortLost, UsageError
from benchctl.pairfile import as_toml
from benchctl.pairfile.writing import toml
from benchctl.ports.clock import WallClock
from benchctl.ports.outlets import Outlet, PtyOutlet, TcpOutlet, wait_any
from benchctl.terms import Role
from benchctl.wire.catalogue import BAUDS

#: how far real time runs ahead of the bench before the bench catches up
STEP_S = 0.001
#: a bench that is later than this is not driven to catch up: it is slower than real time
MOST_LATE_S = 0.25


class Server:
    """A bench with an outlet for each board. `run` until told to stop, then `close`.

    reset_on_open: connecting to an outlet resets its board, as DTR does on most boards.
    names: what to open, by role. slips: how often the bench was too late to catch up.
    """

    def __init__(self, bench: Bench, outlets: Mapping[Role, Outlet], *, reset_on_open: bool = True) -> None:
        if not bench.simulated:
            raise UsageError(f"bench {bench.name} is of real boards; their own ports are there to be opened")
        self.bench = bench
        self.names = {role: outlet.name for role, outlet in outlets.items()}
        self.slips = 0
        self._outlets = dict(outlets)
        self._reset_on_open = reset_on_open
        self._speeds: dict[Role, int] = {}

    def run(self, should_stop: Callable[[], bool]) -> None:
        """Pass bytes on and let bench time follow real time until `should_stop`. Raises Stopped once halted."""
        clock = WallClock()
        ahead = self.bench.now() - clock.now()
        while not should_stop():
            wait_any(list(self._outlets.values()), STEP_S)
            self._pass_on()
            behind = clock.now() + ahead - self.bench.now()
            if behind > MOST_LATE_S:
                self.slips += 1
                ahead -= behind - STEP_S
                behind = STEP_S
            self.bench.wait(behind)
            self._pass_on()

    def waiting_for(self, role: Role) -> bool:
        """Whether nobody is connected to that board."""
        return self._outlets[role].waits_on() is None

    def _pass_on(self) -> None:
        for role, outlet in self._outlets.items():
            port = self.bench.boards[role].port
            try:
                came = outlet.look()
                self._follow_speed(role, outlet)
                if came and self._reset_on_open:
                    port.reset()
                data = outlet.receive()
                if data:
                    port.write(data)
                outlet.send(port.read_nowait())
            except PortLost:
                # the modelled cable is pulled: nothing passes until it is back
                continue

    def _follow_speed(self, role: Role, outlet: Outlet) -> None:
        """The line runs at the speed that the other program has set, where the bench models speeds."""
        speed = outlet.speed()
        if speed and self._speeds.get(role) != speed:
            self._speeds[role] = speed
            self.bench.boards[role].port.set_baud(speed)

    def close(self) -> None:
        for outlet in self._outlets.values():
            outlet.close()
        self.bench.close()


def make_server(bench: Bench, *, tcp: bool = False, folder: Path | None = None, reset_on_open: bool = True) -> Server:
    """A server with a pseudo-terminal for each board, or TCP ports where asked for or where there are no such.

    folder: where links named for the boards' roles are made; made where there is none. Raises UsageError.
    """
    outlets: dict[Role, Outlet] = {}
    try:
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise UsageError(f"{folder}: no folder can be made there ({e.strerror})") from e
    try:
        for role, board in bench.boards.items():
            if board.via:  # it has no port of its own; whoever uses the other board's reaches it
                continue
            link = folder / role if folder is not None else None
            outlets[role] = TcpOutlet() if tcp or not hasattr(os, "openpty") else PtyOutlet(link)
        return Server(bench, outlets, reset_on_open=reset_on_open)
    except UsageError:
        for outlet in outlets.values():
            outlet.close()
        raise


def as_serial(spec: BenchSpec, names: Mapping[Role, str], pair: str) -> str:
    """The bench file with which the tool itself uses served boards as real ones. pair: name or file of their pair."""
    lines = [f"name = {toml(spec.name)}", 'kind = "ports"', f"pair = {toml(pair)}"]
    for role, board in spec.boards.items():
        said = {"label": board.label, "port": names.get(role, ""), "via": str(board.via)}
        lines += ["", f"[board.{role}]", *(f"{key} = {toml(value)}" for key, value in said.items() if value)]
        if board.baud != BAUDS[0]:
            lines.append(f"baud = {board.baud}")
    if len(spec.boards) < len(spec.pair.boards):
        lines.insert(3, f"only = {toml([str(role) for role in spec.boards])}")
    return "\n".join(lines) + "\n"


def write_bench(spec: BenchSpec, names: Mapping[Role, str], folder: Path) -> Path:
    """The files for it, in the folder: `bench.toml` and, where no other file has it, `pair.toml`. Raises UsageError."""
    pair = spec.pair.path
    if not pair:
        pair = "pair.toml"
        _write(folder / pair, as_toml(spec.pair))
    file = folder / "bench.toml"
    _write(file, as_serial(spec, names, pair))
    return file


def serve_bench(
    bench: Bench,
    say: Callable[[str], None],
    should_stop: Callable[[], bool],
    *,
    spec: BenchSpec | None = None,
    tcp: bool = False,
    folder: Path | None = None,
    reset_on_open: bool = True,
) -> None:
    """Serve until told to stop; `say` is told what to open. With spec and folder, a bench file is written there.

    Raises UsageError; the bench is closed in any case.
    """
    try:
        server = make_server(bench, tcp=tcp, folder=folder, reset_on_open=reset_on_open)
    except BaseException:
        bench.close()
        raise
    try:
        for role, name in server.names.items():
            say(f"{role}: {name}")
        if spec is not None and folder is not None:
            say(f"bench file: {write_bench(spec, server.names, folder)}")
        server.run(should_stop)
        if server.slips:
            say(f"this machine was slower than real time {server.slips} times")
    finally:
        server.close()


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text, "utf-8")
    except OSError as e:
        raise UsageError(f"{file}: cannot be written ({e.strerror})") from e
