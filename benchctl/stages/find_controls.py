"""Where the hand unit's controls are: switches by holding each down once, the joystick by pushing it there and up."""

from __future__ import annotations

from collections.abc import Iterable

from benchctl.analysis.pin_nature import Nature
from benchctl.pairfile.pins import BY_PORT, NONE, SWITCHES, Can
from benchctl.stages.wiring_search import Search

#: s: a switch is held down within this, and a push of the stick lasts so long
_HOLD_S, _PUSH_S = 25.0, 4.0
#: share of the supply by which an axis moves at least, and how much more than the other
_MOVES, _CLEARLY = 0.2, 2.0
_WITH_PULL_UP = (Nature.FLOATS, Nature.HIGH, Nature.TOWARDS_SUPPLY)
_PLAIN = (Nature.LOW, Nature.WEAK_LOW)


def find_controls(search: Search) -> None:
    """Switches, then the joystick; what the owner has stated already is left as it is."""
    _find_switches(search)
    if not (search.stated("joy_x") and search.stated("joy_y")):
        _find_joystick(search)


# ---------------------------------------------------------------------- switches


def _find_switches(search: Search) -> None:
    wanted = [name for name in SWITCHES if not search.stated(name)]
    if not wanted:
        return
    there = search.count("How many push switches does the hand unit have? Type 0, 1 or 2.", "switches", len(SWITCHES))
    for n, name in enumerate(wanted):
        if there < 0:
            search.wonder(f"pins.{name}")
        elif n >= there:
            search.keep(f"pins.{name}", NONE, "said")
        else:
            _find_switch(search, name)


def _find_switch(search: Search, name: str) -> None:
    prompt = search.seconds_of(
        f"Hold {name} down for about three seconds, then let go. Touch nothing else.", "hold_switch", name, _HOLD_S
    )
    rest = _levels(search)
    began, hits, before = search.ctx.now(), set[str](), set[str]()
    while not hits and search.ctx.now() - began < _HOLD_S:
        now = _levels(search)
        changed = {port for port, level in now.items() if level != rest[port]}
        # a pin that nobody holds may flicker once; a switch that is held down stays
        hits, before = changed & before, changed
        search.ctx.wait(0.03)
    search.ctx.done(prompt)
    if len(hits) != 1:
        search.wonder(f"pins.{name}", sorted(hits))
    else:
        port = hits.pop()
        kind = search.natures[port]
        search.keep(f"pins.{name}", port, "person")
        search.keep(f"switch.{name}.closes_to", "supply" if rest[port] == 0 else "ground", "person")
        search.keep(f"switch.{name}.pull", "chip" if kind is Nature.FLOATS else "board", "looked")
    _wait_rest(search, rest)


def _levels(search: Search) -> dict[str, int]:
    """Level of every free pin with a port: with pull-up where it floats or rests high, plain where it rests low."""
    ports = [p for p in search.free(*_WITH_PULL_UP, *_PLAIN) if Can.DIGITAL in BY_PORT[p].can]
    return {port: search.look(port, pulled=search.natures[port] in _WITH_PULL_UP).level for port in ports}


def _wait_rest(search: Search, rest: dict[str, int]) -> None:
    """Until all is as it was before, or too long."""
    began = search.ctx.now()
    while search.ctx.now() - began < _PUSH_S:
        now = _levels(search)
        if all(level == rest[port] for port, level in now.items()):
            return
        search.ctx.wait(0.1)


# ---------------------------------------------------------------------- joystick


def _find_joystick(search: Search) -> None:
    there = search.count("Does the hand unit have a joystick? Type 1 for yes, 0 for no.", "joystick", 1)
    if there == 0:
        for axis in ("joy_x", "joy_y"):
            search.keep(f"pins.{axis}", NONE, "said")
        return
    for axis, way, other in (("joy_x", "right", "left"), ("joy_y", "up", "down")):
        if not search.stated(axis):
            _find_axis(search, axis, way, other)


def _find_axis(search: Search, axis: str, way: str, other: str) -> None:
    """Of the converter's free inputs the one that moves most while the stick is pushed one way and held."""
    ports = [p for p in search.free(Nature.BETWEEN) if Can.ANALOGUE in BY_PORT[p].can]
    rest = _shares(search, ports)
    where = "to the right" if way == "right" else "up, away from you,"
    prompt = search.seconds_of(
        f"Push the joystick fully {where} and hold it there.", "move_joystick", f"{way} {_PUSH_S:g}", _PUSH_S + 10
    )
    began, furthest = search.ctx.now(), dict.fromkeys(ports, 0.0)
    while search.ctx.now() - began < _PUSH_S + 2.0:
        for port, share in _shares(search, ports).items():
            if abs(share - rest[port]) > abs(furthest[port]):
                furthest[port] = share - rest[port]
        search.ctx.wait(0.02)
    search.ctx.done(prompt)
    moved = sorted(ports, key=lambda port: -abs(furthest[port]))
    clear = moved and abs(furthest[moved[0]]) > _MOVES
    if clear and (len(moved) == 1 or abs(furthest[moved[0]]) > _CLEARLY * abs(furthest[moved[1]])):
        search.keep(f"pins.{axis}", moved[0], "person")
        search.keep(f"joystick.{axis[-1]}_rises", way if furthest[moved[0]] > 0 else other, "person")
    else:
        search.wonder(f"pins.{axis}", [p for p in moved if abs(furthest[p]) > _MOVES])


def _shares(search: Search, ports: Iterable[str]) -> dict[str, float]:
    return {port: search.look(port, pulled=False).share or 0.0 for port in ports}
