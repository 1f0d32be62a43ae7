"""A bench with a board that is reached over the air: all but that board is the bench's underneath."""

from __future__ import annotations

from helpers import FakeBench

from benchctl import benchfile
from benchctl.relayed_bench import RelayedBench, over_air
from benchctl.session.over_air import FarBoard
from benchctl.terms import Role

BENCH = b'kind = "sim"\npair = "mudlark"\n[board.hand]\n[board.craft]\n'


def relayed() -> tuple[RelayedBench, FakeBench]:
    under = FakeBench({Role.HAND: lambda asked: ()})
    return RelayedBench(under, benchfile.parse(BENCH + b'via = "hand"\n')), under


def test_without_such_a_board_it_is_the_bench_itself() -> None:
    under = FakeBench({Role.HAND: lambda asked: ()})

    assert over_air(under, benchfile.parse(BENCH)) is under


def test_what_is_told_to_it_is_told_to_the_bench_underneath() -> None:
    bench, under = relayed()
    bench.halted = True
    bench.pacer = pacer = lambda now: None
    bench.operator = somebody = under.operator

    assert under.halted
    assert under.pacer is pacer
    assert under.operator is somebody
    assert (bench.name, bench.kind, bench.seed, bench.notes) == (under.name, under.kind, under.seed, under.notes)


def test_a_far_board_is_back_when_the_relaying_one_is_and_begins_anew() -> None:
    """Its numbers start at 0 again: what was under way when it was lost is not taken up."""
    bench, under = relayed()
    craft = bench.boards[Role.CRAFT]
    assert isinstance(craft, FarBoard)
    craft.line.begun = True
    looked: list[Role] = []
    under.reopen = lambda role, seconds=0.0: looked.append(role) or False

    assert bench.reopen(Role.CRAFT)
    assert not craft.line.begun
    assert looked == []
    under.ports[Role.HAND].lost = True
    assert not bench.reopen(Role.CRAFT)
    assert looked == [Role.HAND]
