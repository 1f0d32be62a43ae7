"""A craft that is reached through the hand unit: the same on both simulated benches."""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import pytest

from benchctl import shipped
from benchctl.errors import NoAnswer, Refused, Restarted, Stopped
from benchctl.findings.find import find
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.safety.stop import COPIES, STOP_BYTES, STOP_FRAME
from benchctl.session.over_air import LEAST, PIECE, AirLine, FarBoard
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, GuardState, LinkMode, Piece, ResetCause
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import decode, encode

VIA = """
name = "one cable"
pair = "mudlark"
[air]
path_loss_db = {loss}
[board.hand]
[board.craft]
via = "hand"
"""
#: both with a cable, the craft told to listen besides
BOTH = """
name = "told to listen"
pair = "mudlark"
[board.hand]
[board.craft.settings]
air_reach = 1
"""
#: the loss at which a fifth and more of the packets need repeats by the host, on either bench
WEAK = 86.5
DROOP = {"source": 0, "first_us": 40, "step_us": 10, "points": 40, "prescaler": 4}


def far(bench: Any) -> FarBoard:
    board = bench.boards[Role.CRAFT]
    assert isinstance(board, FarBoard)
    board.open()
    return board


def reached(open_bench: Any, kind: str, loss: float = 60.0, seed: int = 1) -> tuple[Any, FarBoard]:
    bench = open_bench(kind, VIA.format(loss=loss), seed=seed)
    return bench, far(bench)


def test_requests_of_every_length_come_back(kind, open_bench) -> None:
    """Bodies from none to the longest, so frames of one packet and of four, and lengths that a control packet has."""
    _, craft = reached(open_bench, kind)
    for length in range(98):
        data = bytes((length * 7 + i) & 0xFF for i in range(length))

        assert craft.ask(msg.Echo(data=data)).data == data
    assert craft.exchange.counts.stray_answers == 0


def test_who_it_is_and_what_it_was_doing(kind, open_bench) -> None:
    """Identity, settings that stay, forensics after a restart asked for over the air."""
    bench, craft = reached(open_bench, kind)
    before = craft.ask(msg.Identify()).boot_count
    craft.write_setting("dead_band", 9)
    craft.save_settings()
    boot = craft.restart()
    after = craft.ask(msg.Forensics())

    assert boot.boot_count == after.boot_count == before + 1
    assert after.ram_survived == 1
    assert after.uptime_ms > 0
    assert craft.read_setting("dead_band") == 9
    assert craft.identity is not None
    assert craft.identity.label == "mudlark-craft-01"
    assert bench.boards[Role.HAND].ask(msg.Identify()).role == 0


@pytest.mark.long
def test_a_weak_link_repeats_and_nothing_is_done_twice(kind, open_bench) -> None:
    """Restarts are counted by the board itself: one for each that was asked for, whatever got lost on the way."""
    _, craft = reached(open_bench, kind, WEAK, seed=3)
    first = craft.ask(msg.Identify()).boot_count
    done = 0
    for _ in range(12):
        try:
            craft.restart()
        except (NoAnswer, Restarted):
            craft.clear_restart()
        done += 1
        for size in (3, 40, 90):
            assert len(craft.ask(msg.Echo(data=bytes(size))).data) == size
    last = craft.ask(msg.Identify()).boot_count

    assert craft.line.lost > 0
    assert last - first == done


def test_a_restart_of_its_own_is_noticed(open_bench) -> None:
    """Nobody asked for it: the boot message comes over the air, with the life before."""
    bench, craft = reached(open_bench, "sim")
    bench.wait(0.2)
    bench.under.chips[Role.CRAFT].reset(ResetCause.BROWN_OUT)
    bench.wait(0.5)
    with pytest.raises(Restarted, match="brown-out"):
        craft.ask(msg.Clock())


def test_bulk_records_are_fetched_after_the_burst(kind, open_bench) -> None:
    """The transceiver that carries the talk is what draws: nothing of it is lost, and nothing was asked meanwhile."""
    bench, craft = reached(open_bench, kind)
    for load_, settle in ((1, 4), (0, 4), (2, 20)):
        craft.events(msg.DroopRows)
        span = 40 * 4 * (settle * 1e-3 + 0.5e-3)
        sent, began = craft.line.sent, bench.now()
        craft.measuring(1.2 * span)
        craft.ask(msg.Droop(load=load_, settle_ms=settle, **DROOP, repeats=4))
        detail = craft.wait_done(msg.Droop, 2.0)
        rows = [row for event in craft.events(msg.DroopRows) for row in event.rows]

        assert (detail, len(rows)) == (40, 40)
        assert bench.now() - began > span
        assert craft.line.sent - sent < 40
    assert craft.exchange.counts.lost_events == 0


@pytest.mark.long
def test_the_link_test_has_the_air_for_itself(kind, open_bench) -> None:
    """While the relaying board counts packets the far one is not asked; afterwards it answers again."""
    bench, craft = reached(open_bench, kind)
    hand = bench.boards[Role.HAND]
    hand.ask(msg.LinkStart(mode=LinkMode.SEND, test=1, count=0, interval_us=2000, payload=16))
    with pytest.raises(NoAnswer):
        craft.ask(msg.Echo(data=b"busy"))
    hand.ask(msg.LinkStop())

    assert craft.ask(msg.Echo(data=b"again")).data == b"again"


def test_nothing_arms_over_the_air(kind, open_bench) -> None:
    """Refused with the right words, refused as random packets between right ones; the guard stays idle."""
    bench, craft = reached(open_bench, kind)
    hand, chance = bench.boards[Role.HAND], random.Random(7)
    for request in (
        msg.ArmChallenge(channel=2, radio=0),
        msg.Arm(channel=2, nonce=1, label="mudlark-craft-01", cap_permille=300),
        msg.Throttle(channel=2, permille=50, number=1),
    ):
        with pytest.raises(Refused) as refused:
            craft.ask(request)
        assert refused.value.code == "guarded"
    arm = frame(encode(msg.ArmChallenge(channel=2, radio=0), 1))
    for _ in range(150):
        head = Piece.TO_BOARD | chance.getrandbits(4)
        noise = chance.randbytes(chance.randint(0, PIECE))
        hand.ask(msg.RadioSend(no_ack=0, data=bytes((head,)) + chance.choice((noise, arm, arm[1:], arm[:-1] + noise))[:31]))
    craft.line.begun = False

    assert craft.ask(msg.GuardRead()).state == GuardState.IDLE
    assert craft.ask(msg.Vitals()).guard == GuardState.IDLE


def test_a_stop_over_the_air_stops_what_a_cable_armed(kind, open_bench) -> None:
    """The short way past everything queued, from the board that relays, into a craft that runs by its own cable."""
    bench = open_bench(kind, BOTH)
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    hand.open()
    craft.open()
    line = AirLine(hand)
    for _ in range(20):
        bench.wait(0.02)
        line.fetch()
    assert line.begun
    craft.open()
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300))
    assert craft.ask(msg.Throttle(channel=2, permille=50, number=1)).state == GuardState.LIVE
    line.urgent(STOP_BYTES)
    bench.wait(0.02)

    assert craft.ask(msg.GuardRead()).state == GuardState.IDLE


def test_a_stop_of_everything_tells_the_far_board_too(open_bench) -> None:
    """Three packets of their own through the board that relays, behind that board's own stop; both are named."""
    bench, _ = reached(open_bench, "sim")
    given: list[bytes] = []
    port = bench.boards[Role.HAND].port
    urgent = port.urgent
    port.urgent = lambda data: bool(given.append(data)) or urgent(data)  # type: ignore[method-assign]
    reach = bench.stop_all()
    near, far_ = given
    packets = [decode(body) for body in Deframer().feed(far_)]

    assert set(reach.reached) == {Role.HAND, Role.CRAFT}
    assert near == STOP_BYTES
    assert [type(p) for p in packets] == [msg.RadioSend] * COPIES
    assert {p.data for p in packets} == {bytes((Piece.TO_BOARD | Piece.AT_ONCE,)) + STOP_FRAME}  # type: ignore[union-attr]


def test_without_the_relaying_board_neither_is_reached(open_bench) -> None:
    """Each is missed by its own name."""
    bench, _ = reached(open_bench, "sim")
    bench.boards[Role.HAND].port.plug(False)
    reach = bench.stop_all()

    assert (reach.reached, set(reach.missed)) == ((), {Role.HAND, Role.CRAFT})


def test_nothing_goes_over_the_air_once_the_bench_is_halted(open_bench) -> None:
    """What was queued for the far board stays where it is."""
    bench, craft = reached(open_bench, "sim")
    bench.halted = True
    with pytest.raises(Stopped):
        craft.ask(msg.GuardRead())


def test_a_board_that_was_not_told_to_listen_is_silent_in_a_sentence(kind, open_bench) -> None:
    """The setting is what makes it listen; without it there is no answer, and the sentence says what to do."""
    bench = open_bench(kind, "name = 'deaf'\npair = 'mudlark'\n")
    craft = FarBoard(Role.CRAFT, bench.boards[Role.HAND])
    with pytest.raises(NoAnswer, match="air_reach"):
        craft.open()
    assert SETTING_BY_NAME["air_reach"].default == 0


GOES = ("identity", "supply", "transceiver", "controls", "joystick_to_servo", "inertial")
SPINS = ("esc_arming", "throttle_ramp", "link_loss_cut")


@pytest.mark.long
def test_the_procedure_goes_as_far_as_it_may(kind, open_bench, tmp_path: Path) -> None:
    """What works over the air passes; what needs a cable is not run, with the reason; a motor never."""
    bench = open_bench(kind, VIA.format(loss=60.0))
    names = [*GOES, "link", *SPINS]
    result = Operation(load(shipped.procedure("bring-up")).only(names), bench, tmp_path, reports=False).perform()
    stages = result.summary.stages
    seen = {name: stages[name].verdict for name in names if name in stages}

    assert [seen[name] for name in GOES] == [Verdict.PASS] * len(GOES), {n: s.reason for n, s in stages.items()}
    assert [seen[name] for name in ("link", *SPINS)] == [Verdict.NOT_RUN] * 4
    assert "over the air" in stages["link"].reason
    for name in SPINS:
        assert re.fullmatch(r"the craft board is reached over the air: a motor is \w+ over a cable only", stages[name].reason)
    assert result.summary.boards[Role.CRAFT].via == "hand"
    assert 1.0 < stages["identity"].readings["craft.air_delay"].value < 50.0
    # the far board's transceiver carries the talk: it cannot also draw all the time
    assert "hand.path_ohms" in stages["supply"].readings
    assert "craft.path_ohms" not in stages["supply"].readings
    assert any("ohms of the path left out" in note.text for note in stages["supply"].notes)
    assert not find(result.summary)


@pytest.mark.long
def test_readings_are_those_of_a_cable(open_bench, tmp_path: Path) -> None:
    """Supply, sensor and servo of the far board read the same as over its own cable, within their intervals."""
    seen = []
    for n, text in enumerate((VIA.format(loss=60.0), VIA.format(loss=60.0).replace('via = "hand"', ""))):
        bench = open_bench("sim", text, seed=4)
        names = ["identity", "supply", "inertial"]
        result = Operation(load(shipped.procedure("bring-up")).only(names), bench, tmp_path / str(n), reports=False).perform()
        seen.append(result.summary.stages)
    for stage, name, margin in (
        ("identity", "craft.oscillator_error", 0.0),
        ("supply", "craft.vcc", 0.02),
        ("supply", "craft.servo_droop", 0.005),
        ("inertial", "gravity", 0.01),
    ):
        a, b = (stages[stage].readings.get(name) for stages in seen)
        if a is None or b is None:
            assert a is b is None, name
            continue
        low = max(r.interval.low if r.interval else r.value for r in (a, b))
        high = min(r.interval.high if r.interval else r.value for r in (a, b))

        assert low - margin <= high + margin, (name, a.text(), b.text())
    assert [s["supply"].verdict for s in seen] == [Verdict.PASS] * 2


def test_a_piece_is_never_as_long_as_a_control_packet() -> None:
    assert LEAST > 8
    assert PIECE + 1 == 32
