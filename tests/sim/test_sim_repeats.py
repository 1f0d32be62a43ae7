"""The same description and seed give the same bytes at the same times; another seed gives others."""

from __future__ import annotations

from benchctl import benchfile
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import Function

TEXT = b"""
pair = "mudlark"
[board.hand]
[board.hand.serial]
drop_per_million = 200
[board.craft]
[air]
path_loss_db = 86.0
fading_db = 3.0
[[air.interferer]]
duty = 0.3
"""


def bytes_of(seed: int) -> list[tuple[float, bytes]]:
    """Everything that a busy bench says, with its time of arrival."""
    bench = SimBench(benchfile.parse(TEXT, "test").with_changes(kind="sim", seed=seed))
    heard: list[tuple[float, bytes]] = []
    for port in bench.ports.values():
        read = port.read_nowait

        def tapped(read=read) -> bytes:
            data = read()
            if data:
                heard.append((bench.now(), data))
            return data

        port.read_nowait = tapped
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.open()
    craft.ask(msg.LinkStart(mode=0, test=1, count=0, interval_us=0, payload=8))
    hand.ask(msg.LinkStart(mode=2, test=1, count=300, interval_us=1500, payload=8))
    bench.wait(1.0)
    for board in (hand, craft):
        board.ask(msg.LinkStop(), timeout=1.0)
    hand.ask(msg.Watch(function=Function.SWITCH1, on=1))
    bench.world.boards[Role.HAND].switches["switch1"].press(bench.now())
    bench.wait(0.1)
    craft.ask(msg.ImuStream(address=0x68, interval_us=4000, count=50))
    bench.wait(0.5)
    for board in (hand, craft):
        board.poll()
    bench.close()
    return heard


def test_same_seed_same_bytes_at_the_same_times() -> None:
    first, again, other = bytes_of(3), bytes_of(3), bytes_of(4)
    assert first == again
    assert first != other
    assert sum(len(data) for _, data in first) > 5000
