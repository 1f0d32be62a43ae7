"""What is asked has the middle of the screen: no word is cut at any size, and the place is drawn from the pair file."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
import stories

from benchctl import benchfile
from benchctl import events as ev
from benchctl.pairfile.drawing import craft_from_above
from benchctl.pairfile.legs import LEGS_28, LEGS_32, legs_told
from benchctl.pairfile.reader import load
from benchctl.pairfile.schema import OutputFacts
from benchctl.safety.attestation import HIGHER_CAP, STATEMENTS, SUPPLY_OFF
from benchctl.safety.cautions import CAUTIONS
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.stages.before_power import _CHECKS, _SERVOS, _USB
from benchctl.terms import Role
from benchctl.tui.app import BenchApp
from benchctl.tui.places import drawing
from benchctl.tui.screens.cautions import CautionsScreen, pages
from benchctl.tui.screens.run import RunScreen, run_left
from benchctl.tui.widgets.lines import plain
from benchctl.tui.widgets.prompt import PlacePane, Talk

SIZES = [(80, 24), (80, 60), (100, 30), (120, 40), (160, 45), (200, 60)]
PAIRS = ("mudlark", "mudlark-modules", "mudlark-low-volt")


def word_prompt(names: str, text: str, number: int) -> ev.Prompt:
    text = f'That was not the word. {text} If all of this is so and you have looked, type the word "thistle"; if not, type no.'
    return ev.Prompt(14.5, "button", number, ev.PromptKind.WORD, text, "attest", detail=f"{names} thistle")


def statements() -> list[ev.Prompt]:
    """Everything that is ever stated, alone and together as it is asked."""
    groups = [*((s,) for s in (*STATEMENTS, HIGHER_CAP, SUPPLY_OFF)), (*STATEMENTS, HIGHER_CAP), *_CHECKS]
    found = [(",".join(s.name for s in g), " ".join(s.text for s in g)) for g in groups]
    found += [("usb_or_battery", text) for text in (usb + servos for usb in _USB.values() for servos in _SERVOS.values())]
    return [word_prompt(names, text, 100 + i) for i, (names, text) in enumerate(found)]


def meter(role: Role, detail: str) -> ev.Prompt:
    text = f"{role} board: from supply to ground"
    return ev.Prompt(14.5, "button", 7, ev.PromptKind.NUMBER, text, "meter", role, detail, "ohm")


def drawn(pair: str, prompt: ev.Prompt, rows: int = 16) -> str:
    return "\n".join(plain(row) for row in drawing(prompt, stories.mudlark_wirings(pair), rows))


def asked_on(app: BenchApp) -> RunScreen:
    link = stories.Replay(person=True)
    link.feed(stories.in_prompt()[:-1])
    app.link = link
    return RunScreen(link)


async def shown(pilot: Any, screen: RunScreen, text: str) -> None:
    """Until a text is on the screen, and two looks at it are the same, however busy the machine is."""
    before = ""
    for _ in range(400):
        screen.take()
        await pilot.pause()
        now = stories.picture(screen.app)
        told = " ".join(squeezed(talk.text) for talk in screen.query(Talk))  # a drawing may stand beside its rows
        if (text in now or text in told) and now == before:
            return
        before = now
    raise AssertionError(f"{text!r} is not shown:\n{before}")


def squeezed(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.mark.parametrize(
    ("sizes", "fewest"),
    [(SIZES[:1], 500), pytest.param(SIZES, 0, marks=pytest.mark.long)],
    ids=["usual size, the longest", "six sizes, all"],
)
def test_no_word_of_a_statement_is_cut(sizes: list[tuple[int, int]], fewest: int) -> None:
    """Every row of every statement stands on the screen as it was written, with nothing to scroll."""
    prompts = [p for p in statements() if len(p.text) >= fewest]
    assert prompts

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = asked_on(app)
        app.push_screen(screen)
        await pilot.pause()
        for size in sizes:
            await pilot.resize_terminal(*size)
            for prompt in prompts:
                screen.link.feed([prompt])
                await shown(pilot, screen, squeezed(prompt.text)[-12:])
                talk, seen = screen.query_one(Talk), stories.picture(app)
                rows = [row.rstrip() for row in talk.text.splitlines() if row.strip()]

                assert squeezed(prompt.text) in squeezed(talk.text), (size, prompt.text)
                assert len(talk.text.splitlines()) <= talk.size.height, (size, prompt.text)
                assert all(row in seen for row in rows), (size, prompt.text)
                screen.link.feed([ev.Answer(14.6, "button", prompt.id, "no", "person")])

    stories.with_app(SIZES[0], play)


@pytest.mark.parametrize("size", [*SIZES, (60, 16)])
def test_no_caution_is_cut(size: tuple[int, int]) -> None:
    """Page by page every caution is whole; each page, with its title and the line that names the key, fits."""
    width, height = size[0] - 3, size[1] - 1
    found = pages(width, height)
    text = squeezed(" ".join(plain(row) for page in found for row in page))

    assert all(squeezed(f"{c.topic} {c.text}") in text for c in CAUTIONS)
    assert all(len(page) + 3 <= height for page in found if len(page) > 10)


def test_cautions_name_the_key_that_goes_on() -> None:
    """A title on each page, and what Enter does; behind the last one the run goes on."""

    async def play(app: BenchApp, pilot: Any) -> None:
        app.push_screen(CautionsScreen(before_run=True))
        await pilot.pause()
        first = stories.picture(app)
        last = ""
        while isinstance(app.screen, CautionsScreen):
            last = stories.picture(app)
            await pilot.press("enter")
            await pilot.pause()

        assert "Cautions, page 1 of 3: read before anything moves" in first
        assert "Enter shows the next page." in first
        assert "Enter goes on with the run, which waits for you." in last

    stories.with_app((80, 24), play)


def test_no_instruction_is_cut() -> None:
    """Above the readings every stage's instruction is whole at 80 columns, also one of four lines."""
    text = "THE MOTOR TURNS. " + "Propellers off, craft tied down, hands clear. " * 3

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay()
        link.feed([*stories.in_link(), ev.StageStarted(18.0, "ramp", "throttle_ramp", "Throttle ramp", text, 20.0)])
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        await shown(pilot, screen, "hands clear.")
        head = screen.query_one("#head")

        assert squeezed(text) in squeezed(head.text)
        assert head.size.height >= len(head.text.splitlines())

    stories.with_app((80, 24), play)


def test_the_question_has_the_middle_and_gives_it_back() -> None:
    """While a person is asked the readings are gone and the place is drawn; after the answer they are there again."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = asked_on(app)
        app.push_screen(screen)
        await pilot.pause()
        screen.link.feed([meter(Role.CRAFT, "rail.main.ohms_to_ground")])
        await shown(pilot, screen, "red lead here")
        assert not screen.query_one("#body").display
        assert screen.query_one(PlacePane).display
        assert "red lead here" in stories.picture(app)
        await pilot.press("4", "7", "k", "enter")
        await shown(pilot, screen, "running")

        assert screen.link.answers == [(7, "47k")]
        assert screen.query_one("#body").display
        assert "red lead here" not in stories.picture(app)

    stories.with_app((80, 24), play)


# ---------------------------------------------------------------------- places


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("role", [Role.HAND, Role.CRAFT])
def test_each_part_is_drawn_at_its_own_pin(pair: str, role: Role) -> None:
    """LED and switches are marked in the row that has the pin of this pair's file, and in no other."""
    facts = load(pair).boards[role]
    asks = {"led": ("count_blinks", "led"), "switch1": ("press_switch", "switch1 20")}
    for part, (action, detail) in asks.items():
        port = facts.pin(part)
        if not port:
            continue
        prompt = ev.Prompt(0.0, "x", 1, ev.PromptKind.DO, "", action, role, detail)
        (marked,) = [row for row in drawn(pair, prompt).splitlines() if "◄" in row]
        sketch = _pin(port).sketch

        assert f" {sketch} " in marked.replace("│", " ")


def _pin(port: str) -> Any:
    from benchctl.pairfile.pins import BY_PORT

    return BY_PORT[port]


@pytest.mark.parametrize("pair", PAIRS)
def test_leads_of_the_meter(pair: str) -> None:
    """The red lead is at a supply leg, the black one at ground: VCC and GND are legs 7 and 8 of the 28-leg package, and
    pins 2 and 1 of the transceiver's header. Source: the data sheet's pinout; the header: common practice, no source."""
    rows = drawn(pair, meter(Role.CRAFT, "vcc")).splitlines()
    (red,) = [r for r in rows if "red lead" in r]
    (black,) = [r for r in rows if "black lead" in r]
    assert ("VCC  7" in red, "GND  8" in black) == (True, True)

    (both,) = [r for r in drawn(pair, meter(Role.HAND, "rail.radio.ohms_to_ground")).splitlines() if "lead" in r]
    assert both.index("black lead") < both.index("GND") < both.index("│1")
    assert both.index("2│") < both.index("VCC") < both.index("red lead")


@pytest.mark.parametrize(("role", "detail", "mark"), [
    (Role.CRAFT, "servo.pulse1.volts", "red lead on its plus"), (Role.CRAFT, "esc.pulse2.ground_ohms", "red lead on its ground"),
    (Role.HAND, "switch.switch1.pull_ma", "meter across it"), (Role.CRAFT, "servo.pulse1.deg", "look at its horn"),
])  # fmt: skip
def test_a_meter_at_a_part_is_never_drawn_across_the_supply(role: Role, detail: str, mark: str) -> None:
    """On its mA range it is a short there."""
    text = drawn("mudlark", meter(role, detail))

    assert mark in text
    assert "black lead here" not in text


@pytest.mark.parametrize("rows", range(6, 30))
def test_a_drawing_never_takes_more_rows_than_there_are(rows: int) -> None:
    """What does not fit is not drawn; the marked legs are there whenever something is."""
    text = drawn("mudlark", meter(Role.CRAFT, "vcc"), rows)

    assert len(text.splitlines()) <= rows
    assert not text or ("red lead here" in text and "black lead here" in text)


def test_jumpers_are_drawn_between_the_pins_of_the_pair() -> None:
    """Each jumper of the pair file between hand and craft, with both pins."""
    spec = load("mudlark-modules")
    prompt = ev.Prompt(0.0, "x", 1, ev.PromptKind.DO, "", "pull_jumpers", Role.HAND)
    text = drawn("mudlark-modules", prompt, 40)

    assert spec.jumpers
    for jumper in spec.jumpers:
        for point in (jumper.start, jumper.to):
            role, function = point.split(".")
            if jumper.start.split(".")[0] != jumper.to.split(".")[0]:
                port = spec.boards[Role(role)].pin(function)
                assert f"{role} unit: {function.replace('_', ' ')}  {_pin(port).sketch}" in text
    between = [j for j in spec.jumpers if j.start.split(".")[0] != j.to.split(".")[0]]
    assert text.count(" kΩ in it") == len(between), "a jumper without its resistor"


FOUR = benchfile.load("four-motors").pair.boards[Role.CRAFT]


@pytest.mark.parametrize(("channel", "row", "column"), [(2, 0, 0), (3, 0, 2), (4, 2, 2), (5, 2, 0)])
def test_the_craft_is_drawn_from_above_with_the_asked_motor_marked(channel: int, row: int, column: int) -> None:
    """Each motor in its corner, front ahead, with its direction: as the pair file has places and directions."""
    rows = [r.strip(" │") for r in craft_from_above(FOUR, channel).splitlines() if "│" in r]
    drawn = [r.split() for r in rows]

    ways = {"clockwise": "↻", "anticlockwise": "↺"}
    corners = {n: (out.place, ways[out.turns]) for n, out in FOUR.outputs() if out.drives == "motor"}
    told = {n: f"[{n}{way}]" if n == channel else f"{n}{way}" for n, (_, way) in corners.items()}
    assert drawn == [[told[2], told[3]], [], [told[5], told[4]]]
    assert drawn[row][column // 2] == told[channel]


@pytest.mark.parametrize(
    ("places", "wanted"),
    [
        (("left", "right"), ["│  [2]         3    │"]),
        (("middle", "mast"), ["│       [2]       │", "3  mast"]),
        (("rear", "rear"), ["3  rear"]),
        (("mast", "boom"), ["[2]  mast", "3  boom"]),
        ((None, None), []),
    ],
)
def test_places_in_other_words_stand_below(places: tuple[str | None, str | None], wanted: list[str]) -> None:
    outputs = {f"pulse{n}": OutputFacts(drives="motor", place=place) for n, place in zip((2, 3), places, strict=True)}
    text = craft_from_above(replace(FOUR, output=outputs), 2)

    squeezed_rows = [" ".join(row.split()) for row in text.splitlines()]
    assert [row for row in wanted if " ".join(row.split()) not in squeezed_rows] == []
    assert bool(text) == bool(wanted)


def test_a_question_about_a_motor_has_the_craft_from_above() -> None:
    prompt = ev.Prompt(0.0, "x", 1, ev.PromptKind.CHOICE, "", "which_motor", Role.CRAFT, "4")
    wirings = {Role.CRAFT: OwnerWiring(facts=FOUR)}

    assert "[4↻]" in "\n".join(plain(row) for row in drawing(prompt, wirings, 16))


@pytest.mark.parametrize(("fed", "plus"), [("own", "a supply of its own"), ("motor battery", "its plus taken off the battery"),
                                           (None, "a supply of its own")])  # fmt: skip
def test_the_servos_supply_is_drawn_apart_from_the_motors(fed: str | None, plus: str) -> None:
    facts = replace(FOUR, supply=replace(FOUR.supply, servo_fed_by=fed))
    prompt = ev.Prompt(0.0, "x", 1, ev.PromptKind.DO, "", "feed_servos", Role.CRAFT)
    text = "\n".join(plain(row) for row in drawing(prompt, {Role.CRAFT: OwnerWiring(facts=facts)}, 16))

    assert plus in text
    assert "motors' battery stays unplugged" in text
    assert "output 1" in text


def test_nothing_is_drawn_of_what_nobody_has_said() -> None:
    """Without a pair file no part has a place; supply and ground of the processor have."""
    press = ev.Prompt(0.0, "x", 1, ev.PromptKind.DO, "", "press_switch", Role.HAND, "switch1 20")

    assert drawing(press, {}, 20) == []
    assert drawing(meter(Role.HAND, "vcc"), {}, 20)


def test_legs_of_both_packages() -> None:
    """PB1 is leg 15 of 28 and 13 of 32, PC0 leg 23 of both, ADC6 leg 19 of the larger one alone (data sheet, pinout)."""
    assert legs_told("PB1") == "leg 15 of 28, 13 of 32"
    assert legs_told("PC0") == "leg 23 of 28, 23 of 32"
    assert legs_told("ADC6") == "leg 19 of 32"
    assert (len(LEGS_28), len(LEGS_32)) == (28, 32)
    assert {p for p in LEGS_28 if p.startswith("P")} == {p for p in LEGS_32 if p.startswith("P")}


# ---------------------------------------------------------------------- time


def test_time_left_of_the_run_leaves_out_what_will_not_run() -> None:
    """What waits counts with its usual time; what needs a stage that failed does not."""
    s = stories.summary(stories.in_link(), live=True)
    expected = dict.fromkeys(s.stages, 10.0)
    whole = run_left(s, expected, s.t)
    s.stages["identity"].verdict = None
    s.stages["transceiver"].verdict = stories.Verdict.FAIL

    assert whole > 30.0
    assert run_left(s, expected, s.t) < whole
