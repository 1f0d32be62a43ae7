"""A switch that closes to the supply: pressed is high, its line is held low by the board, and the LED lights all the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from needs import need_avr

from benchctl import benches
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import Function, Point

PAIR = """name = "up"
[pair]
from = "mudlark"
[pair.board.hand.switch.switch1]
closes_to = "supply"
pull = "board"
"""


@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_pressed_lights_the_led(kind: str, tmp_path: Path) -> None:
    """Pulled by the board itself, so that no contact bounces: up, let go, up again; the craft's LED follows each time,
    and the other switch, which closes to ground, is not pressed meanwhile."""
    if kind == "avr":
        need_avr()
    path = tmp_path / "up.toml"
    path.write_text(PAIR, encoding="utf-8")
    bench = benches.open_bench(str(path), kind=kind, seed=2)
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.open()
        board.write_setting("debounce_us", 0)
    led: list[float] = []
    bench.world.boards[Role.CRAFT].outputs["led"].connect(lambda level, time: led.append(level))
    assert hand.ask(msg.Watch(function=Function.SWITCH1, on=0)).level == 0
    assert hand.ask(msg.Watch(function=Function.SWITCH2, on=0)).level == 1
    craft.ask(msg.LoopStart(trace=0))
    hand.ask(msg.LoopStart(trace=1))
    bench.wait(0.1)
    assert led == []

    hand.ask(msg.SelfStimulus(function=Function.SWITCH1, presses=3, down_us=20_000, up_us=20_000))
    hand.wait_done(msg.SelfStimulus, 2.0)
    bench.wait(0.05)

    assert led == [1.0, 0.0] * 3
    rows = [row for e in hand.events(msg.Trace) for row in e.rows]
    assert [row.value for row in rows if row.point == Point.STIMULUS] == [1, 0] * 3
    assert [row.value for row in rows if row.point == Point.DECIDED] == [1, 0] * 3
    bench.close()
