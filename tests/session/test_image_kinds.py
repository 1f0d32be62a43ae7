"""The pair's image and the gauge's: which is for whom, and what is said of a board that has the other one."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers import IDENTIFY
from needs import need_avr

from benchctl import benches, shipped
from benchctl.errors import Refused
from benchctl.session.boot import identity
from benchctl.terms import Role
from benchctl.wire import msg


def test_every_role_and_clock_has_its_image() -> None:
    """One table, the manifest: hand and craft share theirs, the gauge has its own; each file is there."""
    assert {(i.kind, i.clock_hz) for i in shipped.images()} == {
        (kind, mhz * 1_000_000) for kind in shipped.KINDS for mhz in (8, 16)
    }
    for clock in (8_000_000, 16_000_000):
        paths = [shipped.image(clock, role) for role in (Role.HAND, Role.CRAFT, Role.GAUGE)]
        assert paths[0] == paths[1] != paths[2]
        assert all(path.is_file() for path in paths)


@pytest.mark.parametrize(
    ("image", "role", "wrong"),
    [(0, Role.GAUGE, True), (1, Role.HAND, True), (1, Role.GAUGE, False), (0, Role.CRAFT, False)],
)
def test_the_wrong_image_is_one_sentence(image: int, role: Role, wrong: bool) -> None:
    """It says what the board carries and how to flash the right one."""
    said = identity(msg.IdentifyAnswer(**{**IDENTIFY, "image": image})).wrong_image(role)

    assert (said != "") is wrong
    if wrong:
        assert said == f"wrong image: it carries the one for a {shipped.KINDS[image]} board; flash with --role {role}"


def test_each_image_refuses_the_others_role(tmp_path: Path) -> None:
    """A pair's image is never a gauge, a gauge's is never anything else, and has no pulse, arms nothing, sends nothing."""
    need_avr()
    bench = benches.open_bench("black-box", kind="avr")
    try:
        gauge, hand = bench.boards[Role.GAUGE], bench.boards[Role.HAND]
        for board in (gauge, hand):
            board.open()
        assert gauge.identify().image == "gauge"
        assert hand.identify().image == "pair"
        with pytest.raises(Refused, match="role"):
            gauge.write_setting("role", 1)
        with pytest.raises(Refused, match="role"):
            hand.write_setting("role", 2)
        for request in (
            msg.Pulse(channel=1, width_us=1500),
            msg.ArmChallenge(channel=1, radio=0),
            msg.LoopStart(trace=0),
        ):
            with pytest.raises(Refused, match="unknown"):
                gauge.ask(request)
    finally:
        bench.close()
