"""An image that runs at another clock than it was built for: it is heard, says so, and makes no pulse."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_outputs import confirm, wiring
from needs import need

from benchctl import benches, shipped
from benchctl.avr.build_shim import available
from benchctl.errors import Refused
from benchctl.terms import Role
from benchctl.wire.catalogue import Function, PulseKind


@pytest.mark.parametrize(("chip", "image", "baud"), [(8, 16, 250_000), (16, 8, 1_000_000)])
def test_it_is_heard_at_half_or_double_speed_and_makes_no_pulse(
    tmp_path: Path, chip: int, image: int, baud: int
) -> None:
    """Told to idle a motor controller's output, as it would be at the right clock."""
    need(available())
    path = tmp_path / "wrong.toml"
    boards = "".join(f"[board.{role}]\nclock_hz = {chip}000000\n" for role in ("hand", "craft"))
    path.write_text(f'name = "wrong"\nkind = "avr"\npair = "mudlark"\n{boards}')
    bench = benches.open_bench(str(path), images={Role.CRAFT: str(shipped.image(image * 1_000_000))})
    try:
        craft = bench.boards[Role.CRAFT]
        craft.port.set_baud(baud)
        edges: list[float] = []
        bench.chips[Role.CRAFT].watch("PB2", lambda level, time: edges.append(time))
        who = craft.open()
        craft.write_setting("role", 1)
        craft.write_setting("label", "mudlark-craft-01")
        try:
            with wiring(craft):
                craft.write_pin(Function.PULSE2, 0x12)
                craft.write_pulse_kind(2, PulseKind.MOTOR)
                confirm(craft, 2)
        except Refused:
            pass  # nor may it
        bench.wait(0.5)
    finally:
        bench.close()

    assert who.wrong_clock.endswith(f"flash with --mhz {chip}")
    assert not who.clock_ok
    assert edges == []
