"""The jumpers of a pair, as a drawing and as a table: which pin goes where, through what, and what for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from benchctl.pairfile.drawing import boards
from benchctl.pairfile.pins import shown
from benchctl.pairfile.schema import PairSpec

#: what must stand in a jumper, by the function at its end: in the line, and from the line to ground
_PARTS: Mapping[str, tuple[str, str]] = {
    "stick_out": ("[10k]", "0.47 uF"),
    "sense_vcc1": ("[10k]", "10 kOhm"),
    "sense_vcc2": ("[10k]", "10 kOhm"),
}
_PURPOSES: Mapping[str, str] = {
    "stimulus": "pulls the switch line low, open drain",
    "stick_out": "plays the joystick, which is unplugged; the two parts make a voltage of it",
    "watch1": "when the LED changes",
    "watch2": "the motor controller's pulses",
    "watch3": "when the switch line really changes",
    "capture": "the servo's pulses, to half a microsecond",
    "reset_watch1": "resets, supply gone and back",
    "reset_watch2": "resets, supply gone and back",
    "sense_vcc1": "supply, halved",
    "sense_vcc2": "supply, halved",
    "loop_back": "when the LED changes",
}
_LINE = 20
#: Ω in a measuring jumper: 1 to 4.7 kΩ, so that two outputs, or a board without supply, come to no harm by it (5 V
#: through 4.7 kΩ is below the 1 mA that a clamp diode takes; common practice, no source)
JUMPER_OHMS = 4700.0
#: one that has to pull a line low against a pull-up of 10 kΩ
PULLING_OHMS = 1000.0
_PART_OHMS = {**dict.fromkeys(_PARTS, 10e3), "stimulus": PULLING_OHMS}


def jumper_ohms(start: str, to: str) -> float:
    """The resistor in a jumper between two points, by what it is for."""
    points = _split(start)[1], _split(to)[1]
    return next((_PART_OHMS[p] for p in points if p in _PART_OHMS), JUMPER_OHMS)


def summary(pair: PairSpec) -> str:
    """A pair in a few words: labels, clock, what each board's outputs drive."""
    told = []
    for role, board in pair.boards.items():
        clock = f"{board.clock_mhz} MHz" if board.clock_mhz else "clock unknown"
        drives = ", ".join(str(output.drives) for _, output in board.outputs() if output.drives != "nothing")
        told.append(f"{board.label or f'{role} without a label'} ({clock}{f'; {drives}' if drives else ''})")
    return "; ".join(told)


def wiring(pair: PairSpec) -> str:
    """Drawing of each board, then drawing and table of all jumpers; a sentence where there are none."""
    own = boards(pair)
    if not pair.jumpers:
        return f"{own}\n\npair {pair.name} has no jumper between its boards".lstrip()
    jumpers = [_turned(w.start, w.to) for w in pair.jumpers]
    first = list(dict.fromkeys(_roles(j) for j in jumpers))
    jumpers.sort(key=lambda j: first.index(_roles(j)))
    return "\n".join([f"pair {pair.name}", "", own, "", *_drawing(pair, jumpers), "", *_table(pair, jumpers)])


def _turned(start: str, to: str) -> tuple[str, str]:
    """The gauge's end first, so that its pins stand in one column."""
    return (to, start) if to.startswith("gauge.") else (start, to)


def _roles(jumper: tuple[str, str]) -> tuple[str, str]:
    return _split(jumper[0])[0], _split(jumper[1])[0]


def _split(end: str) -> tuple[str, str]:
    role, _, point = end.partition(".")
    return role, point


def _drawing(pair: PairSpec, jumpers: list[tuple[str, str]]) -> Iterator[str]:
    last = ("", "")
    for left, right in jumpers:
        roles = _roles((left, right))
        if roles != last:
            if last != ("", ""):
                yield ""
            yield f"    {roles[0]:<30}{'':{_LINE}}  {roles[1]}"
            yield _row("GND", "-" * _LINE, "GND")
        last = roles
        yield from _jumper(pair, left, right)


def _row(left: str, line: str, right: str) -> str:
    return f"    {left:<30}{line}  {right}".rstrip()


def _jumper(pair: PairSpec, left: str, right: str) -> Iterator[str]:
    part, ground = _parts(left, right)
    ends = _end(pair, left), _end(pair, right)
    if not part:
        yield _row(ends[0], f"[{_shown_ohms(left, right)}]".center(_LINE, "-"), ends[1])
        return
    # the part to ground is on the side that the voltage is taken from
    divider = _split(left)[1].startswith("sense")
    line = f"----+---{part}-------" if divider else f"----{part}---+-------"
    at = line.index("+")
    yield _row(ends[0], line, ends[1])
    yield _row("", f"{'':{at}}|", "")
    yield _row("", f"{'':{max(0, at - len(ground) // 2)}}{ground}", "")
    yield _row("", f"{'':{at}}|", "")
    yield _row("", f"{'':{at - 1}}GND", "")


def _parts(left: str, right: str) -> tuple[str, str]:
    return _PARTS.get(_split(left)[1], _PARTS.get(_split(right)[1], ("", "")))


def _shown_ohms(left: str, right: str) -> str:
    return f"{jumper_ohms(left, right) / 1000:g}k"


def _kiloohms(left: str, right: str) -> str:
    return f"{jumper_ohms(left, right) / 1000:g} kOhm"


def _table(pair: PairSpec, jumpers: list[tuple[str, str]]) -> Iterator[str]:
    rows = [("from", "to", "through", "for")]
    for left, right in jumpers:
        part, ground = _parts(left, right)
        through = (
            f"{part.strip('[]')}, {ground} to ground".replace("10k", "10 kOhm") if part else _kiloohms(left, right)
        )
        points = _split(left)[1], _split(right)[1]
        purpose = next((_PURPOSES[p] for p in points if p in _PURPOSES), "")
        rows.append((_named(pair, left), _named(pair, right), through, purpose))
    widths = [max(len(row[i]) for row in rows) for i in range(3)]
    for row in rows:
        yield "  ".join([*(cell.ljust(w) for cell, w in zip(row[:3], widths, strict=True)), row[3]]).rstrip()


def _named(pair: PairSpec, end: str) -> str:
    return f"{_split(end)[0]} {_end(pair, end)}"


def _end(pair: PairSpec, end: str) -> str:
    """ "D3 (PD3) stimulus"; supply and reset have no port pin of their own."""
    role, point = _split(end)
    if point in ("vcc", "reset"):
        return point.upper()
    port = next((board.pin(point) for r, board in pair.boards.items() if str(r) == role), "")
    return f"{shown(port)} {point}" if port else point
