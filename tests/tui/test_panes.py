"""What the panes write: bars, plots, rows and sentences, for any width."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
import stories
from helpers_runs import failing_run, healthy_run
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from benchctl import events as ev
from benchctl.runs.index import row_of
from benchctl.runs.summary import Summary
from benchctl.terms import Limit, Reading, Role, Verdict
from benchctl.tui.app import light_terminal
from benchctl.tui.curves import Curve, curves, merged
from benchctl.tui.past import matching
from benchctl.tui.screens.batch import batch_lines
from benchctl.tui.screens.choose import advice
from benchctl.tui.screens.run import TitlePane
from benchctl.tui.screens.verdict import next_steps, verdict_lines
from benchctl.tui.widgets.boards import board_line
from benchctl.tui.widgets.lines import _changed, fit, line, plain, wrapped
from benchctl.tui.widgets.live_banner import banner
from benchctl.tui.widgets.plot import canvas, drawn, spark
from benchctl.tui.widgets.prompt import told
from benchctl.tui.widgets.readings import all_lines, bar, short_step, stage_head
from benchctl.tui.widgets.stages import stage_line

WIDTHS = (38, 47, 66, 78, 118, 198)


# ---------------------------------------------------------------------- bars


def at(value: float, low: float | None, high: float | None) -> str:
    return bar(Reading("x", value, "V").judged(Limit(low, high), Verdict.PASS), 11)


def test_bar_inside_and_outside() -> None:
    """The dot is between the ends exactly when the limit holds."""
    assert at(0.0, 0.0, 10.0) == " ├●──────┤ "
    assert at(10.0, 0.0, 10.0) == " ├──────●┤ "
    assert at(10.1, 0.0, 10.0) == " ├───────┤●"
    assert at(-0.1, 0.0, 10.0) == "●├───────┤ "
    assert at(3.0, None, 1.0) == " ╶───────┤●"
    assert at(0.5, 1.0, None) == "●├───────╴ "


@given(st.floats(-1e6, 1e6), st.one_of(st.none(), st.floats(-1e3, 1e3)), st.one_of(st.none(), st.floats(-1e3, 1e3)))
def test_bar_agrees_with_the_limit(value: float, low: float | None, high: float | None) -> None:
    """Whatever the numbers: the bar keeps its width, and shows outside what the limit calls outside."""
    if low is not None and high is not None and low > high:
        low, high = high, low
    shown = at(value, low, high)

    assert len(shown) == 11
    if low is None and high is None:
        assert shown.strip() == ""
    else:
        inside = shown[0] != "●" and shown[-1] != "●"
        assert inside is Limit(low, high).holds(value)


# ---------------------------------------------------------------------- plots


def curve(x: list[float], y: list[float], joined: bool = False) -> Curve:
    return Curve("loss", np.array(x), np.array(y), "time", "s", "loss", "%", joined)


def dots(rows: list[str]) -> set[tuple[int, int]]:
    """Column and row of every dot, decoded from the braille block independently of the drawing: ISO/TR 11548-1
    numbers the dots 1 to 8; dot n is bit n-1 of the code point's offset from U+2800 (the Unicode chart)."""
    places = {1: (0, 0), 2: (0, 1), 3: (0, 2), 4: (1, 0), 5: (1, 1), 6: (1, 2), 7: (0, 3), 8: (1, 3)}
    found = set()
    for r, row in enumerate(rows):
        for c, char in enumerate(row):
            code = ord(char) - 0x2800 if char != " " else 0
            for n, (dx, dy) in places.items():
                if code & 1 << n - 1:
                    found.add((2 * c + dx, 4 * r + dy))
    return found


def test_corners_of_the_canvas() -> None:
    """The lowest, earliest point is at the bottom left, the highest, latest at the top right."""
    rows = canvas(curve([0.0, 1.0], [0.0, 5.0]), 10, 3, 0.0, 5.0)

    assert {(0, 11), (19, 0)} == dots(rows)


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=40))
def test_canvas_against_placing_each_point(points: list[tuple[float, float]]) -> None:
    """Every point has its dot where rounding puts it, and there are no others."""
    x, y = (list(v) for v in zip(*points, strict=True))
    rows = canvas(curve(x, y), 8, 4, 0.0, 1.0)
    first, span = min(x), (max(x) - min(x)) or 1.0
    expected = {(int(np.round((a - first) / span * 15)), 15 - int(np.round(b * 15))) for a, b in points}

    assert expected == dots(rows)


def test_a_line_has_no_holes() -> None:
    """Neighbouring points are joined; a missing value leaves a gap."""
    whole = dots(canvas(curve([0, 1], [0, 1], joined=True), 8, 4, 0, 1))
    gap = dots(canvas(curve([0, 1, 2], [0, math.nan, 1], joined=True), 8, 4, 0, 1))

    assert len({c for c, _ in whole}) == 16
    assert len(gap) == 2


def test_nothing_measured() -> None:
    """A curve of nothing but missing values is said in words."""
    assert "nothing measured" in plain(drawn(curve([0, 1], [math.nan, math.nan]), 30, 8)[1])


def test_plot_names_units() -> None:
    """Both axes carry their units."""
    text = "\n".join(plain(row) for row in drawn(curve([0, 2], [0.5, 4.0]), 40, 8))

    assert "4 %" in text
    assert "0 s" in text
    assert "2 s" in text


def test_limits_are_drawn_and_within_the_span() -> None:
    """A limit above all that was measured is a dashed row at the top, and the axis reaches it."""
    rows = [plain(r) for r in drawn(dataclasses.replace(curve([0, 2], [0.5, 0.6]), limits=(4.0,)), 40, 8)]

    assert "4 %" in rows[1]
    assert "╌╌╌" in rows[1]
    assert not any("╌" in row for row in rows[2:])


def test_ends_of_an_axis_differ_and_time_begins_at_nought() -> None:
    """Two volts that are the same in three digits are told in as many as it takes; the clock of the run is not told."""
    rows = [plain(r) for r in drawn(curve([71.0, 73.0], [5.0001, 5.0003]), 40, 8)]
    ends = [row.split("┤")[0].strip() for row in rows if "┤" in row]

    assert len(set(ends)) == 2
    assert rows[-1].split() == ["0", "s", "2", "s"]


def test_levels_are_steps() -> None:
    """A level holds until its next edge: no slope between two of them."""
    (found,) = curves("edges", "e", ("at", "level"), ("s", ""), np.array([[0.0, 1.0], [1.0, 0.0], [3.0, 1.0]]))

    assert list(found.x) == [0.0, 1.0, 1.0, 3.0, 3.0]
    assert list(found.y) == [1.0, 1.0, 0.0, 0.0, 1.0]


def test_limits_of_a_table_are_drawn_and_its_title_is_words() -> None:
    """The axis spans the limit; what comes near to it tells more than what does not."""
    data = np.column_stack([np.arange(1.0, 21.0), np.linspace(270.0, 275.0, 20)])
    picture = ev.Picture("until idle, cut after cut", "radio", {"time to idle": Limit(max=300.0)})
    (found,) = curves("points", "radio_cuts", ("cut", "time to idle"), ("", "ms"), data, picture)
    rows = [plain(row) for row in drawn(found, 70, 8)]

    assert rows[0].strip() == "until idle, cut after cut, radio: time to idle over cut"
    assert rows[1].startswith("300 ms ┤")
    assert "╌" in rows[1]
    assert not found.joined
    assert found.telling == pytest.approx(5 / 30)


def test_a_hunt_is_bars_with_each_load_and_without() -> None:
    columns, units = ("led", "reset", "settings lost", "lowest"), ("", "", "", "V")
    (found,) = curves("loads", "hand_trials", columns, units, np.array([[1, 1, 0, 4.0], [0, 0, 0, 4.9]]))
    rows = [plain(row) for row in drawn(found, 60, 8)]

    assert "over" not in rows[0]
    assert rows[1].split()[0] == "led"
    assert rows[1].endswith(" 100 %")
    assert rows[2].split()[0] == "without"
    assert rows[2].endswith(" 0 %")
    assert curves("loads", "x", columns, units, np.zeros((0, 4))) == []


def test_curves_keep_extremes_and_stay_small() -> None:
    """A million points become a few hundred, the highest and the lowest among them."""
    x = np.arange(1_000_000.0)
    y = np.zeros(1_000_000)
    y[123_456], y[765_432] = 9.0, -4.0
    (found,) = curves("waveform", "w", ("t", "rail"), ("us", "V"), np.column_stack([x, y]))

    assert len(found.x) <= 1300
    assert (found.y.min(), found.y.max()) == (-4.0, 9.0)


def test_loss_in_stretches_of_time() -> None:
    """Lost packets become a share per stretch; over the whole it is the loss."""
    lost = np.zeros(1000)
    lost[::10] = 1
    (found,) = curves("packets", "p", ("at", "lost"), ("s", ""), np.column_stack([np.arange(1000.0), lost]))

    assert found.y.mean() == pytest.approx(10.0, abs=0.5)
    assert found.y_unit == "%"


def test_parts_of_a_table_are_joined() -> None:
    """A table that comes in two parts is one curve."""
    a, b = (curves("timeline", "t", ("t", "v"), ("s", "V"), np.array([[i, i], [i + 1, i]], float)) for i in (0, 5))
    (found,) = merged(a, b)

    assert list(found.x) == [0, 1, 5, 6]


def test_spark() -> None:
    """Lowest block to highest; a missing value is a blank."""
    assert spark([0, 1, math.nan, 0.5]) == "▁█ ▅"
    assert spark([2, 2]) == "▁▁"
    assert spark([]) == ""


# ---------------------------------------------------------------------- rows fit


@pytest.mark.parametrize("width", WIDTHS)
def test_rows_fit_the_width(width: int) -> None:
    """No row of any pane is wider than the pane, whatever the run was."""
    for events in (healthy_run(), failing_run(), stories.in_ramp(), stories.in_loss()):
        s = stories.summary(events, live=True)
        rows = [board_line(b, width) for b in s.boards.values()] + banner(s, "", False, width)
        for stage in s.stages.values():
            rows += [stage_line(stage, width), *stage_head(stage, s.t, width)]
            rows += all_lines(stage, width)
        if width >= 66:
            rows += verdict_lines(s, None, width)

        assert [r for r in rows if cell_len(plain(r)) > width] == []


@given(st.text(st.characters(codec="ascii", min_codepoint=32), max_size=40), st.text(max_size=40), st.integers(5, 60))
def test_changed_cells_are_enough(before: str, after: str, width: int) -> None:
    """Drawing only the changed cells over the old row gives the new row."""
    if any(cell_len(c) != 1 for c in after):
        return
    first, last = _changed(line(before), line(after), width)
    old, new = fit(before, width) if before else " " * width, fit(after, width) if after else " " * width
    old, new = before[:width].ljust(width), after[:width].ljust(width)

    assert old[:first] + new[first:last] + old[last:] == new


def test_a_number_stays_with_its_unit() -> None:
    """No line ends between a number and its unit, and no label is cut at its hyphen."""
    rows = [plain(r).replace("\u00a0", " ") for r in wrapped("loss is 7.2 %, at most 1 % on mudlark-craft-03", 26)]

    assert all(not row.rstrip().endswith(("7.2", "at most 1", "mudlark-")) for row in rows)


# ---------------------------------------------------------------------- sentences


def test_banner_names_key_and_emergency_stop() -> None:
    """While outputs are live: that they are, the stop key, and that the plug is the emergency stop."""
    first, second = banner(stories.summary(stories.in_ramp(), live=True), "", False, 78)

    assert "OUTPUTS LIVE" in plain(first)
    assert "Ctrl+X STOPS" in plain(first)
    assert "20 %" in plain(first)
    assert "Emergency stop: battery plug or supply switch" in plain(second)
    assert {tone for _, tone in (*first, *second)} == {"live"}


def test_advice_in_words() -> None:
    """What to do next is said for every outcome of the search."""
    assert "Looking" in advice(None)
    assert "Plug in a board" in advice([])
    assert "modelled pair" in advice(None, "no access to the system's list")


def test_next_steps() -> None:
    """After a failure the remedy of the likeliest cause comes first; a rehearsal proves nothing."""
    assert next_steps(stories.summary(failing_run()))[0].startswith("Solder 10 µF")
    assert "real boards" in next_steps(stories.summary(healthy_run()))[0]
    assert "soak" in " ".join(next_steps(stories.summary(healthy_run(simulated=False))))
    assert "cable" in " ".join(next_steps(stories.summary(stories.in_loss())))


def test_filter() -> None:
    """Every word must occur somewhere; letter case does not matter."""
    rows = [row_of("a", stories.summary(healthy_run())), row_of("b", stories.summary(failing_run()))]

    assert [r.name for r in matching(rows, "FAIL capacitor")] == ["b"]
    assert [r.name for r in matching(rows, "mudlark-hand-03")] == ["a", "b"]
    assert matching(rows, "gannet") == []


def test_rehearsals_are_never_counted_with_real_boards() -> None:
    """The batch of real boards is empty where there were rehearsals only, and says so."""
    rows = [row_of("a", stories.summary(healthy_run()))]

    assert "no run with real boards" in plain(batch_lines(rows, False, 78)[0])
    assert "prove no board good" in plain(batch_lines(rows, True, 78)[0])


@pytest.mark.parametrize(("told", "light"), [("15;0", False), ("0;15", True), ("0;default;15", True), ("", False)])
def test_light_terminals(told: str, light: bool) -> None:
    """The terminal's word on its background decides which look comes first."""
    assert light_terminal(told) is light


def test_causes_while_the_run_goes_on_are_marked_as_such() -> None:
    """ "so far:" stands before each until the run has ended."""
    cause = ev.FindingMade(3, 1, "bulk", "Bulk capacitor missing", 0.7, Role.CRAFT, (), (), "add 10 µF", "", False)
    s = Summary()
    s.fold(cause)
    going = [plain(row) for row in told(s, 76, 2)]
    s.fold(dataclasses.replace(cause, final=True))
    over = [plain(row) for row in told(s, 76, 2)]

    assert going[0].startswith("so far: 1. Bulk capacitor missing (craft), 70\u00a0%\u00a0sure: add 10\u00a0µF")
    assert over[0].startswith("1. Bulk capacitor missing (craft)")


def test_a_stop_that_is_not_confirmed_yet_stays_a_warning() -> None:
    """Until the board has said so, outputs are taken for live."""
    rows = banner(stories.summary(stories.in_ramp(), live=True), "Told to go idle: hand and craft.", False, 78)

    assert "STOPPING, live until idle" in plain(rows[0])
    assert "Told to go idle: hand and craft." in plain(rows[1])
    assert {tone for row in rows for _, tone in row} == {"live"}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("speed", [1.0, 10.0, 2.5, 0.0])
def test_the_title_of_a_rehearsal_says_so_whole_at_any_width(width: int, speed: float) -> None:
    pane = TitlePane()
    pane.summary, pane.speed = stories.summary(stories.in_link(), live=True), speed
    text = plain(pane.build(width, 1)[0])

    assert cell_len(text) <= width
    assert re.search(r" REHEARSAL(: nothing here is real|, not real)?  *\+", text)


def test_a_step_keeps_its_decimal_points() -> None:
    assert short_step("hand_to_craft: 10 % throttle, 4.98 V") == "hand→craft: 10 % throttle, 4.98 V"


def test_notes_that_come_again_and_again_are_shown_once_and_whole() -> None:
    s = Summary()
    for n, text in enumerate(["cut by silence", "a longer one " * 8, "cut by silence", "cut by silence"]):
        s.fold(ev.Note(float(n), "", text))
    rows = [plain(row) for row in told(s, 76, 4)]

    assert [r.strip() for r in rows if "cut by silence" in r] == ["· +00:03.0  cut by silence"]
    assert sum(r.count("a longer one") for r in rows) == 8
