"""A channel for a new pair: from the plan, beside the user's other pairs, and away from what is busy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchctl import pairfile
from benchctl.analysis.spectrum import occupancy
from benchctl.pairfile.keeping import keep
from benchctl.session.pairing import CHANNELS, pair_channel
from benchctl.stages.find_channel import chosen, taken
from benchctl.terms import Role


def scan(busy: dict[int, int]) -> tuple:  # type: ignore[type-arg]
    """Of 100 looks at each of 126 channels, so many found energy."""
    hits = np.zeros(126, np.int64)
    for channel, count in busy.items():
        hits[channel] = count
    return occupancy(hits, np.full(126, 100))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("benchctl.pairfile.reader.folder", lambda: tmp_path)
    monkeypatch.setattr("benchctl.pairfile.keeping.folder", lambda: tmp_path)
    return tmp_path


def of_batch(number: int, channel: int = 0) -> pairfile.PairSpec:
    """Pair `number` of a batch; channel: as its file states it, 0 for the label's."""
    pair = pairfile.load("mudlark-modules")
    settings = {"radio_channel": channel} if channel else {}
    boards = {r: replace(b, label=f"reed-{r}-{number:02d}", settings=settings) for r, b in pair.boards.items()}
    return replace(pair, name=f"reed-{number:02d}", boards=boards)


def test_quiet_air_leaves_the_labels_channel() -> None:
    assert chosen(scan({}), CHANNELS[3], []) == CHANNELS[3]
    assert chosen(scan({CHANNELS[3]: 4}), CHANNELS[3], []) == CHANNELS[3]


def test_a_busy_channel_and_one_of_another_pair_are_left() -> None:
    """The least busy of the plan that is free; never one that another pair has while any is free."""
    busy = dict.fromkeys(CHANNELS, 50) | {CHANNELS[5]: 1, CHANNELS[6]: 10}

    assert chosen(scan(busy), CHANNELS[0], []) == CHANNELS[5]
    assert chosen(scan(busy), CHANNELS[0], [CHANNELS[5]]) == CHANNELS[6]
    assert chosen(scan({}), CHANNELS[0], CHANNELS[:7]) == CHANNELS[7]
    assert chosen(scan({}), CHANNELS[0], CHANNELS) == CHANNELS[0]


def test_the_plan_is_in_the_users_pair_files(home: Path) -> None:
    """Eight pairs get eight channels, whether files state them or labels give them; a pair's own does not count."""
    for number in range(1, 8):
        keep(of_batch(number))
    keep(of_batch(8, channel=40))
    (home / "broken.toml").write_text("name = ")

    assert taken("") == {**{CHANNELS[n]: f"reed-{n + 1:02d}" for n in range(7)}, 40: "reed-08"}
    assert 40 not in taken("reed-08")
    assert pair_channel(of_batch(8, channel=40)) == 40
    assert pair_channel(of_batch(2)) == CHANNELS[1]


def test_both_boards_are_told_the_channel(home: Path, tmp_path: Path) -> None:
    """Set-up keeps it in the pair file, and both boards get it when they are brought up."""
    keep(of_batch(1, channel=CHANNELS[0]))
    from benchctl.declare import owner_wiring

    pair = of_batch(9, channel=CHANNELS[1])
    for role in (Role.HAND, Role.CRAFT):
        assert owner_wiring(pair, role).settings["radio_channel"] == CHANNELS[1]


def test_a_set_up_taken_up_again_goes_into_the_same_file(home: Path) -> None:
    """The pair whose place it takes keeps its name, and its file is there still; others of that name stay."""
    first, again = of_batch(1), of_batch(1, channel=CHANNELS[4])
    assert keep(first) == "reed-01"

    assert keep(again) == "reed-01-2"
    assert keep(again, "reed-01") == "reed-01"

    assert pairfile.load("reed-01").boards == again.boards
    assert pairfile.parse((home / "reed-01.toml.old").read_bytes()).boards == first.boards
    assert sorted(pairfile.own()) == ["reed-01", "reed-01-2"]
