"""The cut-off judges both pulse lines: around two ordinary pairs, against every edge that the simulated chip made."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import polled_pair
import pytest
from needs import need_avr
from test_gauge import own_pulses, reading

from benchctl import benches
from benchctl.operate import Operation
from benchctl.procedure.file import parse
from benchctl.runs.summary import Summary
from benchctl.terms import Role, Verdict
from tests.hobby_pair.changes import BENCH, Change, build

_WANTED = b"""name = "cut"
[[stage]]
name = "cut-off"
kind = "gauge_cut_off"
[stage.parameters]
cuts = 2
starts = 2
patience_ms = 900
"""
#: the craft's pin of the motor controller
_MOTOR = {"hobby": "PB2", "polled": "PD6"}
_POLLED_CUTS = "set(CENTRE_US, IDLE_US)"
PAIRS = ("hobby", "polled")

pytestmark = [pytest.mark.long, own_pulses]


class Cut:
    """A run of the cut-off stage. pulses: (rise s, width us) of the craft's motor pin; cuts: when the hand lost power."""

    def __init__(
        self, pair: str, folder: Path, flags: tuple[str, ...] = (), changes: dict[str, str] | None = None
    ) -> None:
        need_avr()
        hobby = pair == "hobby"
        images = build(Change("cut", craft=flags), folder) if hobby else polled_pair.build(folder, changes)
        bench_file = BENCH if hobby else polled_pair.bench(folder)
        bench = benches.open_bench(bench_file, seed=5, images={Role(r): p for r, p in images.items()})
        edges: list[tuple[float, int]] = []
        bench.chips[Role.CRAFT].watch(_MOTOR[pair], lambda level, time: edges.append((time, level)))
        self.cuts: list[float] = []
        bench.world.boards[Role.HAND].on_held.append(lambda role, held, time: held and self.cuts.append(time))
        try:
            self.s: Summary = (
                Operation(parse(_WANTED, "cut.toml"), bench, folder / "runs", reports=False).perform().summary
            )
        finally:
            bench.close()
        self.pulses = [(a, 1e6 * (b - a)) for (a, up), (b, down) in pairwise(edges) if up and not down]

    @property
    def stage(self):
        return self.s.stages["cut-off"]

    def idle_after(self, cut: float) -> float:
        """ms from a cut to the first idle pulse."""
        return next(1e3 * (rise - cut) for rise, width in self.pulses if rise > cut and width < 1060)


@pytest.mark.parametrize("pair", PAIRS)
def test_a_good_pair_passes_and_the_motors_line_stood_above_idle(pair: str, tmp_path: Path) -> None:
    """The mean over the cuts is what the chip's pin did, within the fall of the supply and a frame."""
    cut = Cut(pair, tmp_path)

    assert cut.stage.verdict is Verdict.PASS, cut.stage.reason
    assert len(cut.cuts) == 2
    for at in cut.cuts:
        assert all(width > 1080 for rise, width in cut.pulses if at - 0.1 < rise < at)
    true = sum(map(cut.idle_after, cut.cuts)) / 2
    found = reading(cut.s, "cut-off", "motor_cut_off")
    assert found.interval is not None
    assert found.interval.low < true < found.interval.high
    assert reading(cut.s, "cut-off", "motor_after").value == pytest.approx(1000.0, abs=8.0)
    assert reading(cut.s, "cut-off", "servo_after").value == pytest.approx(1500.0, abs=8.0)


@pytest.mark.parametrize("pair", PAIRS)
def test_a_pair_whose_motor_goes_on_fails_in_plain_words(pair: str, tmp_path: Path) -> None:
    """The servo falls back in time, the motor keeps its last pulse: the stage fails for that and nothing else."""
    cut = Cut(pair, tmp_path, ("-DMOTOR_GOES_ON",), {_POLLED_CUTS: "set(CENTRE_US, motor_us)"})

    assert cut.stage.verdict is Verdict.FAIL
    last = next(width for rise, width in reversed(cut.pulses) if rise < cut.cuts[-1])
    said = re.match(r"the motor goes on at (\d+) µs when the hand unit has no supply", cut.stage.reason)
    assert said is not None, cut.stage.reason
    assert int(said[1]) == pytest.approx(last, abs=10.0)
    assert "servo" not in cut.stage.reason
    assert reading(cut.s, "cut-off", "cut_off").verdict is Verdict.PASS
    assert reading(cut.s, "cut-off", "motor_cut_off").value == pytest.approx(900.0)


def test_a_motor_that_falls_back_to_half_throttle_fails(tmp_path: Path) -> None:
    cut = Cut("polled", tmp_path, changes={_POLLED_CUTS: "set(CENTRE_US, 1400)"})

    assert cut.stage.verdict is Verdict.FAIL
    said = re.search(r"the motor goes to (\d+) µs when the hand unit has no supply; expected 1000 µs", cut.stage.reason)
    assert said is not None, cut.stage.reason
    assert int(said[1]) == pytest.approx(1400, abs=10)


def test_a_craft_that_lets_go_while_the_hand_unit_still_sends_is_no_better(tmp_path: Path) -> None:
    """A silence limit below the time from packet to packet: the line goes to and fro between command and safe value,
    and whichever of them was taken for which, it does not pass."""
    cut = Cut("hobby", tmp_path, ("-DSILENCE_MS=8",))

    said = ("had let go of its command before", "safe one at both ends", "the servo goes on at")
    assert cut.stage.verdict is not Verdict.PASS
    assert any(words in cut.stage.reason for words in said), cut.stage.reason


def test_a_motor_line_that_never_rises_leaves_it_undecided(tmp_path: Path) -> None:
    cut = Cut("polled", tmp_path, changes={"IDLE_US + above / 2": "IDLE_US + 0 * above"})

    assert cut.stage.verdict is Verdict.UNDECIDED
    assert "whether it is cut cannot be seen" in cut.stage.reason
