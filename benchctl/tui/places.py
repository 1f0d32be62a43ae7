"""Where on the boards a question means: small drawings with the place marked, made from the pair file alone.

What no pair file says is left out of a drawing; none is made where nothing would be marked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from rich.cells import cell_len

from benchctl import events as ev
from benchctl.pairfile.drawing import craft_from_above
from benchctl.pairfile.legs import LEGS_28, LEGS_32, legs_told
from benchctl.pairfile.pins import BY_PORT, by_code
from benchctl.pairfile.pins import find as pin_of
from benchctl.pairfile.wiring import jumper_ohms
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.terms import Role
from benchctl.tui.widgets.lines import Line, Part, fit, line
from benchctl.wire.catalogue import NO_PIN, Function

Wirings = Mapping[Role, OwnerWiring]
Drawing = list[Line]

_RED, _BLACK, _HERE = ("red lead here", "bad"), ("black lead here", "strong"), ("here", "note")
#: beside the header there is less room
_RED_AT, _BLACK_AT = ("red lead", "bad"), ("black lead", "strong")
_BOX = 5
_ROWS = len(LEGS_28) // 2
#: the usual 8-pin header of the transceiver module (common practice, no source): name, function or port
_HEADER = (
    *(("GND", ""), ("VCC", ""), ("CE", "radio_ce"), ("CSN", "radio_csn")),
    *(("SCK", "PB5"), ("MOSI", "PB3"), ("MISO", "PB4"), ("IRQ", "radio_irq")),
)


def drawing(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """What shows where a prompt means, at most `rows` high; nothing where there is no place to show."""
    drawn = _ACTIONS.get(prompt.action)
    made = drawn(prompt, wirings, rows) if drawn is not None else []
    return made if len(made) <= rows else []


def _wiring(prompt: ev.Prompt, wirings: Wirings) -> OwnerWiring:
    return wirings.get(prompt.role or Role.CRAFT, OwnerWiring())


def _port(wiring: OwnerWiring, function: str) -> str:
    """Port name of a function's pin, "" where nobody has said."""
    found = by_code(wiring.pins.get(Function[function.upper()], NO_PIN))
    return found.port if found is not None else ""


def _name(port: str) -> str:
    """As it is printed on a module where it has such a name."""
    pin = BY_PORT.get(port)
    return pin.sketch or port if pin is not None else port


# ---------------------------------------------------------------------- the processor, its legs numbered


def chip(title: str, marks: Mapping[str, Part], rows: int, below: Sequence[str] = ()) -> Drawing:
    """The 28-leg package from above with ports marked; legs far from a mark are left out where room is short.

    A marked port that this package has not is told as a leg of the other one.
    """
    lacking = [port for port in marks if port not in LEGS_28]
    if lacking:
        told = [line((f"{_name(p)}: leg {LEGS_32.index(p) + 1} of the 32-leg processor ◄ {marks[p][0]}", marks[p][1]))
                for p in lacking if p in LEGS_32]  # fmt: skip
        return [line((title, "strong")), *told]
    seen = {LEGS_28.index(port) for port in marks}  # of two ground legs the first is enough
    pairs = [(i, len(LEGS_28) - 1 - i) for i in range(_ROWS)]
    marked = [row for row, pair in enumerate(pairs) if not seen or seen & set(pair)]
    near = next(
        (n for reach in range(_ROWS, 0, -1) if _height(n := _near(marked, reach)) + 3 + len(below) <= rows),
        _near(marked, 0),
    )
    room = max(cell_len(marks[LEGS_28[i]][0]) + 2 if i in seen else 0 for i in range(_ROWS))
    edge, left_out = f"{'':{room + 9}}", f"{'':{room + 9}}┊{'':{_BOX}}┊"
    out = [line((title, "strong")), line(f"{edge}┌{'∪':─^{_BOX}}┐")]
    last = -1
    for row in near:
        out += [line((left_out, "soft"))] if row != last + 1 else []
        out.append(_legs(pairs[row], marks, seen, room))
        last = row
    out += [line((left_out, "soft"))] if last != _ROWS - 1 else []
    return [*out, line(f"{edge}└{'─' * _BOX}┘"), *(line((text, "soft")) for text in below)]


def _near(marked: Sequence[int], reach: int) -> list[int]:
    """Rows of legs that are so near to a marked one."""
    return [row for row in range(_ROWS) if any(abs(row - m) <= reach for m in marked)]


def _height(near: Sequence[int]) -> int:
    """Rows that these take, with one for each gap between them."""
    return len(near) + sum(b != a + 1 for a, b in zip((-1, *near), (*near, _ROWS), strict=True))


def _legs(pair: tuple[int, int], marks: Mapping[str, Part], seen: set[int], room: int) -> Line:
    a, b = pair
    left, right = LEGS_28[a], LEGS_28[b]
    before = f"{marks[left][0]} ►" if a in seen else ""
    after = f" ◄ {marks[right][0]}" if b in seen else ""
    return line(
        (f"{before:>{room}}", marks[left][1] if a in seen else ""),
        (f"{_name(left):>5} {a + 1:>2} ", "strong" if a in seen else "soft"),
        f"┤{'':{_BOX}}├",
        (f" {b + 1:<2} {_name(right)}", "strong" if b in seen else "soft"),
        (after, marks[right][1] if b in seen else ""),
    )


# ---------------------------------------------------------------------- the transceiver's header


def header(role: Role, wiring: OwnerWiring, marks: Mapping[str, Part]) -> Drawing:
    """The module's 8 pins from above, with the processor's pins that they lead to, and names of it marked."""
    out = [line((f"8 pins of the {role} unit's transceiver", "strong"))]
    for row in range(4):
        (one, to_one), (two, to_two) = _HEADER[2 * row : 2 * row + 2]
        (left, left_tone), (right, right_tone) = (
            marks.get(n, (_led_to(wiring, t), "soft")) for n, t in ((one, to_one), (two, to_two))
        )
        before = f"{left} ►" if one in marks else left
        after = f" ◄ {right}" if two in marks else f" {right}"
        out.append(
            line(
                (f"{before:>12} ", left_tone),
                (f"{one:>4} ", "strong" if one in marks else ""),
                f"│{2 * row + 1} {'■' if row == 0 else '●'}  ● {2 * row + 2}│",
                (f" {two:<4}", "strong" if two in marks else ""),
                (after, right_tone),
            )
        )
    return [
        *out,
        line(("from above; pin 1 has the square pad;", "soft")),
        line(("a module's own print goes before this", "soft")),
    ]


def _led_to(wiring: OwnerWiring, to: str) -> str:
    port = to if to in BY_PORT or not to else _port(wiring, to)
    if to == "radio_irq" and not port:
        return "not wired" if "radio_irq" in wiring.facts.pins else ""
    return _name(port) if port else ""


# ---------------------------------------------------------------------- a whole board, part by part


def board(role: Role, wiring: OwnerWiring, marks: Mapping[str, Part], width: int = 24) -> Drawing:
    """The unit as a box with its parts and their pins in rows. marks: by part, as `_parts` names it."""
    title = f" {role} unit "
    out = [line(f"┌{title}{'─' * max(0, width - len(title))}┐")]
    for part, told in _parts(role, wiring):
        mark = marks.get(part)
        out.append(
            line(
                "│",
                (fit(f" {told}", width), "strong" if mark else "soft"),
                "│",
                (f" ◄ {mark[0]}", mark[1]) if mark else "",
            )
        )
    return [*out, line(f"└{'─' * width}┘")]


def _parts(role: Role, wiring: OwnerWiring) -> list[tuple[str, str]]:
    """(part, what is told of it): what the pair file has on the board, and its plugs."""
    found = [("usb", "USB plug")]
    if role is Role.CRAFT:
        found.append(("battery", "battery plug"))
    for part in ("led", "switch1", "switch2"):
        if port := _port(wiring, part):
            called = "LED" if part == "led" else f"switch {part[-1]}"
            found.append((part, f"{called:<11}{_name(port)}"))
    axes = [_name(p) for part in ("joy_x", "joy_y") if (p := _port(wiring, part))]
    if axes:
        found.append(("joystick", f"{'joystick':<11}{', '.join(axes)}"))
    for channel, output in wiring.facts.outputs():
        drives = output.place or output.drives or ""
        found.append((f"pulse{channel}", f"output {channel:<4}{_name(wiring.facts.pin(f'pulse{channel}'))} {drives}"))
    if wiring.facts.sensor.fitted:
        found.append(("sensor", f"{'sensor':<11}A4, A5"))
    return [*found, ("radio", "transceiver")]


# ---------------------------------------------------------------------- wires


def wires(wanted: Sequence[tuple[str, str]], wirings: Wirings) -> Drawing:
    """Jumper wires, each from point to point, "role.function"."""
    out: list[Line] = []
    for start, end in wanted:
        rows = []
        for point in (start, end):
            role, _, function = point.partition(".")
            port = _port(wirings.get(Role(role), OwnerWiring()), function)
            told = f"{role} unit: {function.replace('_', ' ')}  {_name(port)}".rstrip()
            rows.append((told, legs_told(port)))
        wide = max(len(t) for row in rows for t in row) + 1
        (one, one_leg), (two, two_leg) = rows
        kilohms = jumper_ohms(start, end) / 1000
        out += [
            line((f"┌ {one:<{wide}}", "strong"), ("●══╗", "bad")),
            line((f"│ {one_leg:<{wide}}", "soft"), ("   ║", "bad"), f" jumper wire, {kilohms:g} kΩ in it"),
            line((f"│ {'':<{wide}}", ""), ("   ║", "bad")),
            line((f"└ {two:<{wide}}", "strong"), ("●══╝", "bad")),
            line((f"  {two_leg:<{wide}}", "soft")),
        ]
    return out


# ---------------------------------------------------------------------- which drawing a prompt has


#: by the last word of what is measured at a part
_AT_PART = {
    "deg": "look at its horn",
    "volts": "red lead on its plus",
    "ground_ohms": "red lead on its ground",
    "pull_ma": "meter across it",
}


def _meter(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    wiring, role = _wiring(prompt, wirings), prompt.role or Role.CRAFT
    if prompt.detail.startswith("rail.radio"):
        return header(role, wiring, {"VCC": _RED_AT, "GND": _BLACK_AT})
    kind, _, rest = prompt.detail.partition(".")
    part, _, what = rest.partition(".")
    if kind in ("servo", "esc", "switch"):
        return board(role, wiring, {part: (_AT_PART[what], "note")})
    volts = f"{wiring.facts.supply.logic_v:g} V" if wiring.facts.supply.logic_v else "supply"
    below = (f"or, on a module: its {volts} pin and GND",)
    return chip(f"processor of the {role} unit, from above", {"VCC": _RED, "GND": _BLACK}, rows, below)


def _on_board(mark: str, *, part: str = "") -> Callable[[ev.Prompt, Wirings, int], Drawing]:
    def drawn(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
        wiring, role = _wiring(prompt, wirings), prompt.role or Role.CRAFT
        wanted = part or (prompt.detail.split() or [""])[0]
        if wanted not in dict(_parts(role, wiring)):
            return []
        return board(role, wiring, {wanted: (mark, "note")})

    return drawn


def _motors(mark: str) -> Callable[[ev.Prompt, Wirings, int], Drawing]:
    def drawn(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
        wiring = _wiring(prompt, wirings)
        marks = {f"pulse{n}": (mark, "note") for n, out in wiring.facts.outputs() if out.drives == "motor"}
        return board(Role.CRAFT, wiring, marks) if marks else []

    return drawn


def _above(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """The craft with its motors, the asked one marked."""
    facts = _wiring(prompt, wirings).facts
    channel = int(prompt.detail) if prompt.detail.isdecimal() else 0
    return [line((row, "note" if "[" in row else "")) for row in craft_from_above(facts, channel).splitlines()]


def _battery(mark: str) -> Callable[[ev.Prompt, Wirings, int], Drawing]:
    def drawn(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
        return board(Role.CRAFT, wirings.get(Role.CRAFT, OwnerWiring()), {"battery": (mark, "bad")})

    return drawn


def _jumpers(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """Those that lead from the board to another one."""
    wiring = _wiring(prompt, wirings)
    between = [w for w in wiring.wires if w[0].partition(".")[0] != w[1].partition(".")[0]]
    return wires([w for w in between if str(prompt.role) in (p.partition(".")[0] for p in w)], wirings)


def _red_wires(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    return [
        line(("lead of a motor controller", "strong")),
        line(" signal  ───────────●  stays"),
        line((" red     ────✂  ", "bad"), ("out, and insulated", "strong")),
        line(" ground  ───────────●  stays"),
    ]


def _servo_supply(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """The servos' headers, their plus apart from the motors'."""
    facts = _wiring(prompt, wirings).facts
    servos = [f"output {n}" for n, out in facts.outputs() if out.drives == "servo"]
    taken = "its plus taken off the battery" if facts.supply.servo_fed_by == "motor battery" else ""
    return [
        line((f"header of the servo: {', '.join(servos)}", "strong"))
        if servos
        else line(("header of the servo", "strong")),
        line(" signal  ───●  stays"),
        line((" plus    ───●  ", "bad"), ("a supply of its own", "strong")),
        *([line(f"            {taken}")] if taken else []),
        line(" ground  ───●  that supply's, and the craft's"),
        line(("motors' battery stays unplugged", "bad")),
    ]


def _attested(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """By the first statement that has a place."""
    names = prompt.detail.split(" ")[0].split(",")
    craft = wirings.get(Role.CRAFT, OwnerWiring())
    unplugged = {"usb": ("unplugged", "bad"), "battery": ("unplugged", "bad")}
    if "unpowered" in names:
        hand = board(Role.HAND, wirings.get(Role.HAND, OwnerWiring()), unplugged)
        return [*hand, *board(Role.CRAFT, craft, unplugged)]
    if "radio_capacitor" in names:
        marks = {"GND": ("−", "note"), "VCC": ("+ 10 µF", "note")}
        return header(Role.HAND, wirings.get(Role.HAND, OwnerWiring()), marks)
    if "supply_off" in names:
        return _battery("unplugged")(prompt, wirings, rows)
    if "usb_or_battery" in names:
        return _battery("not beside USB")(prompt, wirings, rows)
    if "cut_off_in_reach" in names:
        return _battery("within reach")(prompt, wirings, rows)
    if {"props_off", "plane_clear"} & set(names):
        return _motors("nothing on the shaft" if "props_off" in names else "keep clear")(prompt, wirings, rows)
    return []


def _pin_map(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    """All legs, to find a pin by; the asked one marked where the question names one."""
    pin = pin_of(prompt.detail.split(" ")[-1])
    marks = {pin.port: _HERE} if pin is not None and pin.port in LEGS_28 else {}
    return chip(f"processor of the {prompt.role} unit, from above", marks, rows)


def _pose(prompt: ev.Prompt, wirings: Wirings, rows: int) -> Drawing:
    axis = prompt.detail
    return [
        line(("        ▲ up", "note")),
        line((f"        │ {axis} axis", "note")),
        line("  ┌─────┴─────┐"),
        line("  │   craft   │"),
        line("  └───────────┘"),
        line(("────────────────── floor", "soft")),
    ]


_ACTIONS: Mapping[str, Callable[[ev.Prompt, Wirings, int], Drawing]] = {
    "meter": _meter,
    "press_switch": _on_board("press here"),
    "count_blinks": _on_board("watch this", part="led"),
    "move_joystick": _on_board("move it", part="joystick"),
    "unplug": _on_board("pull it", part="usb"),
    "plug": _on_board("put it back", part="usb"),
    "plug_in": _on_board("plug it in", part="usb"),
    "plug_motor": _battery("plug it in now"),
    "hear_start": _battery("plug it in now"),
    "unplug_motor": _battery("pull it"),
    "which_motor": _above,
    "which_way": _above,
    "what_moved": _on_board("tried just now"),
    "pull_jumpers": _jumpers,
    "put_jumpers": _jumpers,
    "lift_red": _red_wires,
    "feed_servos": _servo_supply,
    "attest": _attested,
    "which_pin": _pin_map,
    "hold_pose": _pose,
}
