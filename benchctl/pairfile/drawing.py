"""A board's wiring as a drawing: every pin of the processor with what is soldered to it."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.pairfile.pins import BY_PORT, Can, shown
from benchctl.pairfile.schema import BoardFacts, PairSpec
from benchctl.terms import Role

_TITLES: Mapping[str, str] = {
    "led": "LED",
    "switch1": "switch1",
    "switch2": "switch2",
    "joy_x": "joystick, left and right",
    "joy_y": "joystick, up and down",
    "radio_csn": "transceiver CSN",
    "radio_ce": "transceiver CE",
    "radio_irq": "transceiver IRQ",
    "sense_rail": "transceiver's supply, measured",
}
_SPI = {"PB3": "transceiver MOSI", "PB4": "transceiver MISO", "PB5": "transceiver SCK"}
_TWI = {"PC4": "sensor SDA", "PC5": "sensor SCL"}


def boards(pair: PairSpec) -> str:
    """All boards of the pair, a drawing each."""
    return "\n\n".join(board_drawing(role, board) for role, board in pair.boards.items())


def board_drawing(role: Role, board: BoardFacts, free: bool = False) -> str:
    """One board: pin, line, what is there. free: also pins of the owner's choice on which nothing is known to be."""
    what = {**_SPI, **(_TWI if board.sensor.fitted else {})}
    what |= {port: _title(board, function) for function, port in board.wired().items()}
    clock = f"{board.clock_mhz} MHz" if board.clock_mhz else "clock unknown"
    rows = [f"{role} unit {board.label or 'without a label'}, ATmega{board.processor or '328?'}, {clock}"]
    for port, pin in BY_PORT.items():
        taken = pin.can & (Can.UART | Can.CRYSTAL | Can.RESET)
        if port in what:
            rows.append(f"  {shown(port):<11} ------ {what[port]}")
        elif free and not taken:
            rows.append(f"  {shown(port):<11} --?")
    return "\n".join(rows)


# ---------------------------------------------------------------------- the craft from above

_ROWS, _COLUMNS = ("front", "", "rear"), ("left", "", "right")
_TURNS = {"clockwise": "↻", "anticlockwise": "↺"}
_CELL = 9


def craft_from_above(board: BoardFacts, channel: int = 0) -> str:
    """The motors where the pair file has them, front ahead, each with the way it turns as its rotor is looked at.

    channel: the output whose motor is marked. What is at a place in other words, or at one that is taken, stands below;
    "" where no motor has a place.
    """
    motors = [(n, out) for n, out in board.outputs() if out.drives == "motor" and out.place]
    cells: dict[tuple[int, int], str] = {}
    below = []
    for n, out in motors:
        told = f"{n}{_TURNS.get(out.turns or '', '')}"
        told = f"[{told}]" if n == channel else told
        at = _cell(out.place or "")
        if at is None or at in cells:
            below.append(f"  {told}  {out.place}")
        else:
            cells[at] = told
    rows = [
        " │" + "".join(f"{cells.get((row, column), ''):^{_CELL}}" for column in range(len(_COLUMNS))) + "│"
        for row in range(len(_ROWS))
        if cells
    ]
    wide = _CELL * len(_COLUMNS)
    ends = [f"{'▲ front':^{wide + 3}}".rstrip(), f" ┌{'─' * wide}┐", f" └{'─' * wide}┘"] if cells else []
    return "\n".join([*ends[:2], *rows, *ends[2:], *below])


def _cell(place: str) -> tuple[int, int] | None:
    """Row and column that a place's words mean, None for other words."""
    words = set(place.lower().replace("-", " ").split()) - {"middle", "centre", "center"}
    row = next((i for i, word in enumerate(_ROWS) if word in words), 1)
    column = next((i for i, word in enumerate(_COLUMNS) if word in words), 1)
    return (row, column) if words == {_ROWS[row], _COLUMNS[column]} - {""} else None


def _title(board: BoardFacts, function: str) -> str:
    if function in board.output:
        drives = {"servo": "servo", "motor": "motor controller", "nothing": "empty header"}
        return f"{drives.get(board.output[function].drives or '', 'output')} ({function})"
    if function in board.switch:
        one = board.switch[function]
        to = f" to {one.closes_to}" if one.closes_to else ""
        pull = {"board": ", resistor on the board", "chip": ", the chip's pull-up"}.get(one.pull or "", "")
        return f"{_TITLES[function]}{to}{pull}"
    if function == "led" and board.led.lights:
        return f"LED to {'ground' if board.led.lights == 'high' else 'the supply'}"
    return _TITLES.get(function, function)
