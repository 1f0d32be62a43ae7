"""What the keys of a bench file must satisfy together; one function a rule, run in the order of `RULES`."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.benchfile.schema import BenchSpec, BoardSpec
from benchctl.pairfile.checks import EXTRA_POINTS
from benchctl.pairfile.pins import FUNCTIONS
from benchctl.pairfile.reading import Complaints, settings_fit
from benchctl.terms import Role


def each_board(rule: Callable[[BoardSpec], Complaints]) -> Callable[[BenchSpec], Complaints]:
    """A rule about one board as a rule about the bench."""

    def over_all(spec: BenchSpec) -> Complaints:
        for role, board in spec.boards.items():
            for place, text in rule(board):
                yield f"board.{role}.{place}", text

    return over_all


def labels_differ(spec: BenchSpec) -> Complaints:
    """No two boards have one label."""
    seen: dict[str, Role] = {}
    for role, board in spec.boards.items():
        if board.label and board.label in seen:
            yield f"board.{role}.label", f"expected another label than board.{seen[board.label]}, got {board.label!r}"
        seen[board.label] = role


def via_is_a_board(spec: BenchSpec) -> Complaints:
    """A relaying board is another one, with a port of its own."""
    for role, board in spec.boards.items():
        if board.via and (board.via == role or board.via not in spec.boards or spec.boards[Role(board.via)].via):
            yield f"board.{role}.via", f"expected the role of another board with its own port, got {board.via!r}"


def wires_end_at_points(spec: BenchSpec) -> Complaints:
    """Jumpers lead from a known point of a board to another."""
    for n, wire in enumerate(spec.wires):
        for key, end in (("from", wire.start), ("to", wire.to)):
            role, _, point = end.partition(".")
            if role not in spec.boards or point not in FUNCTIONS + EXTRA_POINTS:
                yield f"wire[{n}].{key}", f"expected role.function, such as craft.pulse1, of a board here, got {end!r}"
            elif point in FUNCTIONS and not spec.boards[Role(role)].pins.get(point):
                yield f"wire[{n}].{key}", f"expected a function with a pin; the {role} board has none for {point}"


def harm_is_known(spec: BenchSpec) -> Complaints:
    """Expected harm is of a kind that the model knows."""
    for kind in spec.harm:
        if kind not in set(HarmKind):
            yield "harm", f"expected kinds of harm ({', '.join(HarmKind)}), got {kind!r}"


def lines_go_apart(board: BoardSpec) -> Complaints:
    """No two functions share a pin."""
    taken: dict[str, str] = {}
    for function, pin in board.pins.items():
        if pin in taken:
            yield f"pins.{function}", f"expected another pin than {taken[pin]}, got {pin!r}"
        taken[pin] = function


def stored_settings_fit(board: BoardSpec) -> Complaints:
    """Stored settings are in their ranges."""
    yield from settings_fit(board.settings)


def rails_form_a_tree(board: BoardSpec) -> Complaints:
    """Every rail is fed from a source in the end."""
    for name, rail in board.rail.items():
        above, steps = rail.fed_from, 0
        while above:
            if above not in board.rail or steps > len(board.rail):
                what = "a feed that leads to a source" if above in board.rail else "the name of a rail of this board"
                yield f"rail.{name}.fed_from", f"expected {what}, got {rail.fed_from!r}"
                break
            above, steps = board.rail[above].fed_from, steps + 1


def rails_are_named(board: BoardSpec) -> Complaints:
    """Whatever is fed is fed from a rail of the board."""
    used = [("supply_rail", board.supply_rail), *((f"load.{n}.rail", x.rail) for n, x in board.load.items())]
    used += [("radio.rail", board.radio.rail)] if board.radio.fitted else []
    used += [("imu.rail", board.imu.rail)] if board.imu.fitted else []
    used += [(f"servo.{n}.rail", x.rail) for n, x in board.servo.items() if x.fitted]
    used += [(f"esc.{n}.rail", x.rail) for n, x in board.esc.items() if x.fitted]
    for place, rail in used:
        if rail not in board.rail:
            yield place, f"expected the name of a rail ({', '.join(board.rail) or 'there is none'}), got {rail!r}"


def bursts_fit(board: BoardSpec) -> Complaints:
    """A load's bursts are shorter than the time between their starts."""
    for name, load in board.load.items():
        if load.burst_every_ms and load.burst_every_ms <= load.burst_ms:
            yield f"load.{name}.burst_every_ms", f"expected more than burst_ms = {load.burst_ms:g}, or 0"


def ends_in_order(board: BoardSpec) -> Complaints:
    """Of two ends the lower is the lower one."""
    for name, servo in board.servo.items():
        if servo.min_us >= servo.max_us:
            yield f"servo.{name}.max_us", f"expected more than min_us = {servo.min_us:g}, got {servo.max_us:g}"
    for name, esc in board.esc.items():
        if esc.min_us >= esc.max_us:
            yield f"esc.{name}.max_us", f"expected more than min_us = {esc.min_us:g}, got {esc.max_us:g}"
    for name in board.motor:
        if name not in board.esc:
            yield f"motor.{name}", f"expected a motor controller esc.{name} to drive it"


def functions_used_once(board: BoardSpec) -> Complaints:
    """On an output hangs a servo or a motor controller, not both."""
    for name in board.servo.keys() & board.esc.keys():
        if board.servo[name].fitted and board.esc[name].fitted:
            yield f"servo.{name}", f"expected one thing on {name}, but esc.{name} is fitted too"


RULES: tuple[Callable[[BenchSpec], Complaints], ...] = (
    labels_differ,
    via_is_a_board,
    each_board(lines_go_apart),
    each_board(stored_settings_fit),
    each_board(rails_form_a_tree),
    each_board(rails_are_named),
    each_board(bursts_fit),
    each_board(ends_in_order),
    each_board(functions_used_once),
    wires_end_at_points,
    harm_is_known,
)
