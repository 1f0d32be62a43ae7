"""What the keys of a pair file must satisfy together; one function a rule, run in the order of `RULES`."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchctl.pairfile import pins
from benchctl.pairfile.reading import Complaints, settings_fit
from benchctl.pairfile.schema import BoardFacts, PairSpec
from benchctl.terms import Role

#: points of a board that jumpers may also end at
EXTRA_POINTS = ("reset", "vcc")


def has_boards(pair: PairSpec) -> Complaints:
    """There is a board at all."""
    if not pair.boards:
        yield "board", "expected at least one board, such as [board.hand]"


def labels_differ(pair: PairSpec) -> Complaints:
    """No two boards have one label."""
    seen: dict[str, Role] = {}
    for role, board in pair.boards.items():
        if board.label and board.label in seen:
            yield f"board.{role}.label", f"expected another label than board.{seen[board.label]}, got {board.label!r}"
        seen[board.label] = role


def pins_can(role: Role, board: BoardFacts) -> Complaints:
    """Every function is on a pin of the chip that can do it."""
    radio, sensor = has_radio(role, board), board.sensor.fitted is True
    for function, why in pins.clashes(board.pins, radio=radio, sensor=sensor):
        yield f"pins.{function}", why
    if board.supply.battery_pin is not None:
        found = pins.find(board.supply.battery_pin)
        if found is None or pins.Can.ANALOGUE not in found.can:
            yield (
                "supply.battery_pin",
                f"expected an input of the converter, A0 to A7, got {board.supply.battery_pin!r}",
            )


def has_radio(role: Role, board: BoardFacts) -> bool:
    """Every board has a transceiver unless its owner says that there is none; a gauge only where one is stated."""
    if role is Role.GAUGE and board.radio.kind is None:
        return bool(board.pin("radio_csn"))
    return board.radio.kind != "none"


def parts_have_pins(role: Role, board: BoardFacts) -> Complaints:
    """What is described is somewhere: a switch or an output without a pin is a slip."""
    for name in board.switch:
        if not board.pin(name):
            yield f"switch.{name}", f'expected its pin too, such as pins.{name} = "D3"'
    for name, output in board.output.items():
        if output.drives != "nothing" and not board.pin(name):
            yield f"output.{name}", f'expected its pin too, such as pins.{name} = "D9"'


def pulls_hold(role: Role, board: BoardFacts) -> Complaints:
    """Whatever pulls a switch's line can pull it the way it must rest."""
    for name, switch in board.switch.items():
        if switch.closes_to == "supply" and switch.pull == "chip":
            yield f"switch.{name}.pull", 'expected "board": the chip can pull a line up only, this one must rest low'


def outputs_are_one_thing(role: Role, board: BoardFacts) -> Complaints:
    """An output says only what belongs to what hangs there."""
    servo, motor = ("least_us", "most_us"), ("ways", "idle_us", "full_us", "place", "turns", "start_sound")
    for name, output in board.output.items():
        place = f"output.{name}"
        for kind, others in (("servo", motor), ("motor", servo), ("nothing", servo + motor)):
            wrong = [key for key in others if getattr(output, key) is not None]
            if output.drives == kind and wrong:
                yield f"{place}.{wrong[0]}", f"goes with another kind of output; {place}.drives is {kind!r}"
        if output.drives is None and any(getattr(output, key) is not None for key in servo + motor):
            yield f"{place}.drives", 'expected "servo", "motor" or "nothing" beside the other keys'
        if output.idle_us is not None and output.full_us is not None and output.full_us - output.idle_us < 300:
            yield f"{place}.full_us", f"expected at least 300 µs more than idle_us = {output.idle_us:g}"
        if output.ways == "one-way" and output.idle_us is not None and output.idle_us > 1200:
            yield f"{place}.idle_us", f"expected 800 to 1200 µs of a one-way controller, got {output.idle_us:g}"
        if output.ways == "reversible" and output.idle_us is not None and output.idle_us < 1400:
            yield f"{place}.idle_us", f"expected 1400 to 1600 µs, neutral of a reversible one, got {output.idle_us:g}"


def stored_settings_fit(role: Role, board: BoardFacts) -> Complaints:
    """Stored settings are in their ranges."""
    yield from settings_fit(board.settings)


def jumpers_end_at_points(pair: PairSpec) -> Complaints:
    """Jumpers lead from a known point of a board to another."""
    for n, jumper in enumerate(pair.jumpers):
        for key, end in (("from", jumper.start), ("to", jumper.to)):
            why = no_point(end, pair)
            if why:
                yield f"jumper[{n}].{key}", why


#: points that drive nothing above their own board's ground, or through a divider
_NEVER_HIGH = ("stimulus", "vcc", "reset")


def jumpers_feed_nobody(pair: PairSpec) -> Complaints:
    """An output of 5 V does not go straight to a board of 3.3 V: its clamp diodes would carry the difference."""
    for n, jumper in enumerate(pair.jumpers):
        driving, sensing = (pair.boards.get(Role(end.partition(".")[0])) for end in (jumper.start, jumper.to))
        if driving is None or sensing is None or jumper.start.partition(".")[2] in _NEVER_HIGH:
            continue
        if driving.supply.logic_v == 5.0 and sensing.supply.logic_v == 3.3:
            yield (
                f"jumper[{n}].from",
                f"expected an output of 3.3 V into {jumper.to}, got {jumper.start}, which has 5 V",
            )


def no_point(end: str, pair: PairSpec) -> str:
    """Why "role.function" is no point of the pair that a wire could end at; "" when it is one."""
    role, _, point = end.partition(".")
    if role not in pair.boards or point not in pins.FUNCTIONS + EXTRA_POINTS:
        return f"expected role.function, such as craft.pulse1, of a board here, got {end!r}"
    if point in pins.FUNCTIONS and not pair.boards[Role(role)].pin(point):
        return f"expected a function with a pin; board.{role}.pins has none for {point}"
    return ""


def _each_board(rule: Callable[[Role, BoardFacts], Complaints]) -> Callable[[PairSpec], Complaints]:
    """A rule about one board as a rule about the pair."""

    def over_all(pair: PairSpec) -> Complaints:
        for role, board in pair.boards.items():
            for place, text in rule(role, board):
                yield f"board.{role}.{place}", text

    return over_all


RULES: Iterable[Callable[[PairSpec], Complaints]] = (
    has_boards,
    labels_differ,
    *(
        _each_board(rule)
        for rule in (pins_can, parts_have_pins, pulls_hold, outputs_are_one_thing, stored_settings_fit)
    ),
    jumpers_end_at_points,
    jumpers_feed_nobody,
)
