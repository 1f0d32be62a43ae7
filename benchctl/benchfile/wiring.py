"""The jumpers of a bench, as a drawing and as a table: which pin goes where, through what, and what for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from benchctl.benchfile.schema import BenchSpec

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


def wiring(spec: BenchSpec) -> str:
    """Drawing and table of all jumpers; a sentence where there are none."""
    if not spec.wires:
        return f"bench {spec.name} has no jumper between its boards"
    jumpers = [_turned(w.start, w.to) for w in spec.wires if not w.open]
    first = list(dict.fromkeys(_roles(j) for j in jumpers))
    jumpers.sort(key=lambda j: first.index(_roles(j)))
    return "\n".join([f"bench {spec.name}", "", *_drawing(spec, jumpers), "", *_table(spec, jumpers)])


def _turned(start: str, to: str) -> tuple[str, str]:
    """The gauge's end first, so that its pins stand in one column."""
    return (to, start) if to.startswith("gauge.") else (start, to)


def _roles(jumper: tuple[str, str]) -> tuple[str, str]:
    return _split(jumper[0])[0], _split(jumper[1])[0]


def _split(end: str) -> tuple[str, str]:
    role, _, point = end.partition(".")
    return role, point


def _drawing(spec: BenchSpec, jumpers: list[tuple[str, str]]) -> Iterator[str]:
    last = ("", "")
    for left, right in jumpers:
        roles = _roles((left, right))
        if roles != last:
            if last != ("", ""):
                yield ""
            yield f"    {roles[0]:<30}{'':{_LINE}}  {roles[1]}"
            yield _row("GND", "-" * _LINE, "GND")
        last = roles
        yield from _jumper(spec, left, right)


def _row(left: str, line: str, right: str) -> str:
    return f"    {left:<30}{line}  {right}".rstrip()


def _jumper(spec: BenchSpec, left: str, right: str) -> Iterator[str]:
    part, ground = _parts(left, right)
    ends = _end(spec, left), _end(spec, right)
    if not part:
        yield _row(ends[0], "-" * _LINE, ends[1])
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


def _table(spec: BenchSpec, jumpers: list[tuple[str, str]]) -> Iterator[str]:
    rows = [("from", "to", "through", "for")]
    for left, right in jumpers:
        part, ground = _parts(left, right)
        through = f"{part.strip('[]')}, {ground} to ground".replace("10k", "10 kOhm") if part else "wire"
        points = _split(left)[1], _split(right)[1]
        purpose = next((_PURPOSES[p] for p in points if p in _PURPOSES), "")
        rows.append((_named(spec, left), _named(spec, right), through, purpose))
    widths = [max(len(row[i]) for row in rows) for i in range(3)]
    for row in rows:
        yield "  ".join([*(cell.ljust(w) for cell, w in zip(row[:3], widths, strict=True)), row[3]]).rstrip()


def _named(spec: BenchSpec, end: str) -> str:
    return f"{_split(end)[0]} {_end(spec, end)}"


def _end(spec: BenchSpec, end: str) -> str:
    """ "PD3 (D3) stimulus"; supply and reset have no port pin of their own."""
    role, point = _split(end)
    if point in ("vcc", "reset"):
        return point.upper()
    pin = next((p for r, b in spec.boards.items() if str(r) == role for f, p in b.pins.items() if f == point), "")
    return f"{pin} ({_sketch_name(pin)}) {point}" if pin else point


def _sketch_name(pin: str) -> str:
    """The name that sketches know a port pin by: PD3 is D3, PB0 is D8, PC0 is A0."""
    bit = pin[2:]
    return {"PB": f"D{8 + int(bit)}", "PC": f"A{bit}", "PD": f"D{bit}"}.get(pin[:2], f"A{bit}") if bit else pin
