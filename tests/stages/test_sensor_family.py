"""Sensors of one family by their WHO_AM_I: each with its own temperature and self-test.

Temperature: Linux drivers/iio/imu/inv_mpu6050/inv_mpu_iio.h, offsets in counts and scales in 1e-9 °C a count.
Self-test: 2620 · 1.01^(code − 1) at ±2 g and ±250 °/s (AN-MPU-9250A-03, from memory).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchctl import benches, shipped
from benchctl.analysis.sensor_kinds import KINDS, own_trim, ratio_percent
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.terms import Verdict

#: WHO_AM_I: offset, scale, as the kernel's driver has them
KERNEL = {0x68: (12420, 2941176), 0x70: (7011, 2995178), 0x71: (7011, 2995178), 0x98: (8170, 3059976)}


@pytest.mark.parametrize("identity", KERNEL)
@pytest.mark.parametrize("raw", [-8000, 0, 521, 7000])
def test_temperature_is_the_drivers(identity: int, raw: int) -> None:
    offset, scale = KERNEL[identity]

    assert KINDS[identity].temperature_c(raw) == pytest.approx((raw + offset) * scale * 1e-9, abs=0.01)


def test_factory_values() -> None:
    """Code 1 is the formula's 2620 counts; no code, no value; the response as a share of it."""
    assert (own_trim(0), own_trim(1), own_trim(101)) == (0.0, 2620.0, pytest.approx(7086.6, abs=0.1))
    assert ratio_percent(1310.0, 1) == 50.0
    assert ratio_percent(10.0, 0) != ratio_percent(10.0, 0)


@pytest.mark.parametrize("identity", KINDS)
def test_the_stage_takes_every_part_of_the_family(tmp_path: Path, identity: int) -> None:
    """On modelled boards of each kind, at 31 °C, the stage passes and finds the temperature."""
    path = tmp_path / "family.toml"
    path.write_text(
        f'name = "family"\nkind = "sim"\npair = "mudlark"\n[board.craft.imu]\nwho_am_i = {identity}\n'
        "temperature_degc = 31.0\n"
    )
    bench = benches.open_bench(str(path))
    try:
        procedure = load(shipped.procedure("no-motor"))
        keep = [step.name for step in procedure.steps if step.stage.kind in ("identity", "inertial")]
        done = Operation(procedure.only(keep), bench, tmp_path / "runs", reports=False).perform()
    finally:
        bench.close()
    stage = next(s for s in done.summary.stages.values() if s.kind == "inertial")

    assert stage.verdict is Verdict.PASS, stage.reason
    assert stage.readings["temperature"].value == pytest.approx(31.0, abs=0.5)
    assert ("trim_ratio_accel_x" in stage.readings) == KINDS[identity].own_trims
