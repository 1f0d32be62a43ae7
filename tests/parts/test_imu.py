"""The inertial sensor over its bus, against the published register map and figures.

Sources: MPU-6000/MPU-6050 Register Map, RM-MPU-6000A-00 rev 4.2 (RM); Product Specification, PS-MPU-6000A-00
rev 3.4 (PS).
"""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace

import pytest

from benchctl.benchfile import AxesSpec, ImuSpec
from benchctl.parts import imu_registers as reg
from benchctl.parts.agenda import Agenda
from benchctl.parts.imu import Imu

QUIET = ImuSpec(accel_noise_ug=0.0, gyro_noise_dps=0.0)


def made(spec: ImuSpec = QUIET) -> tuple[Imu, Agenda]:
    agenda = Agenda()
    return Imu(spec, agenda, random.Random(1)), agenda


def read(imu: Imu, number: int, count: int, time: float) -> bytes:
    got = imu.exchange(imu.spec.address, bytes([number]), count, time)
    assert got is not None
    return got


def words(imu: Imu, time: float) -> list[int]:
    """ax, ay, az, temperature, gx, gy, gz."""
    data = read(imu, 0x3B, 14, time)
    return [int.from_bytes(data[n : n + 2], "big", signed=True) for n in range(0, 14, 2)]


def awake(spec: ImuSpec = QUIET, **registers: int) -> tuple[Imu, Agenda]:
    imu, agenda = made(spec)
    imu.exchange(spec.address, bytes([0x6B, 0x00]), 0, 0.0)
    for name, value in registers.items():
        imu.exchange(spec.address, bytes([getattr(reg, name), value]), 0, 0.0)
    return imu, agenda


def test_registers_after_reset() -> None:
    """RM section 3: all zero but 0x6B = 0x40 (asleep) and 0x75 = 0x68; the trim registers are factory values."""
    imu, _ = made()
    values = read(imu, 0, 128, 0.0)

    assert {n: v for n, v in enumerate(values) if v and not 0x0D <= n <= 0x10} == {0x6B: 0x40, 0x75: 0x68}


def test_who_am_i_at_either_address() -> None:
    """RM 4.32: 0x68 whatever AD0 is; nobody answers at the other address."""
    imu, _ = made(replace(QUIET, address=0x69))

    assert imu.exchange(0x69, b"\x75", 1, 0.0) == b"\x68"
    assert imu.exchange(0x68, b"\x75", 1, 0.0) is None


def test_absent_sensor_does_not_acknowledge() -> None:
    """No part, no acknowledge, and the bus reads 0xFF."""
    imu, _ = made(replace(QUIET, fitted=False))

    assert not imu.start(0x68, True)
    assert imu.read() == 0xFF


def test_asleep_it_measures_nothing() -> None:
    """The data registers stay as they were until it is woken."""
    imu, _ = made()

    assert words(imu, 0.1) == [0] * 7


@pytest.mark.parametrize(("code", "lsb"), [(0, 16384), (1, 8192), (2, 4096), (3, 2048)])
def test_gravity_at_every_scale(code: int, lsb: int) -> None:
    """PS 6.2: LSB per g."""
    imu, _ = awake(ACCEL_CONFIG=code << 3)

    assert words(imu, 0.1)[:3] == [0, 0, lsb]


@pytest.mark.parametrize(("code", "lsb"), [(0, 131.0), (1, 65.5), (2, 32.8), (3, 16.4)])
def test_bias_at_every_gyro_scale(code: int, lsb: float) -> None:
    """PS 6.1: LSB per °/s, seen through a bias of 10 °/s."""
    imu, _ = awake(replace(QUIET, gyro_bias_dps=AxesSpec(10.0, -10.0, 0.0)), GYRO_CONFIG=code << 3)

    assert words(imu, 0.1)[4:] == [round(10 * lsb), round(-10 * lsb), 0]


@pytest.mark.parametrize(("degc", "raw"), [(36.53, 0), (35.0, -521), (25.0, -3920), (0.0, -12420)])
def test_temperature(degc: float, raw: int) -> None:
    """RM 4.18: °C = raw / 340 + 36.53; PS 6.3: -521 at 35 °C."""
    imu, _ = awake(replace(QUIET, temperature_degc=degc))
    mean = statistics.fmean(words(imu, 0.1 + n * 0.01)[3] for n in range(400))

    assert mean == pytest.approx(raw, abs=2)


# RM 4.1, formulas worked by hand for these codes
@pytest.mark.parametrize(
    ("code", "gyro", "accel"),
    [
        (1, 3275.0, 1392.64),
        (8, 4486.763, 1756.754),
        (15, 6146.882, 2216.068),
        (16, 6429.639, 2290.832),
        (31, 12622.978, 3768.320),
    ],
)
def test_factory_trim(code: int, gyro: float, accel: float) -> None:
    """Trim by code; the gyro's y has the minus sign."""
    assert reg.gyro_trim(code, 0) == pytest.approx(gyro, abs=0.001)
    assert reg.gyro_trim(code, 1) == pytest.approx(-gyro, abs=0.001)
    assert reg.accel_trim(code) == pytest.approx(accel, abs=0.001)


def test_trim_registers_are_packed_as_published() -> None:
    """RM 4.1: 70 6D 8F 2D hold accelerometer codes 14, 15, 17 and gyro codes 16, 13, 15."""
    assert reg.trim_registers((14, 15, 17), (16, 13, 15)) == bytes.fromhex("706D8F2D")


@pytest.mark.parametrize("error", [0.0, -20.0, 10.0])
def test_self_test_response(error: float) -> None:
    """Output with self-test less output without is the factory trim, but for the given error."""
    wrong = AxesSpec(error, error, error)
    spec = replace(QUIET, accel_test_pct=wrong, gyro_test_pct=wrong, accel_trim_code=12, gyro_trim_code=9)
    imu, _ = awake(spec, ACCEL_CONFIG=0x10)
    without = words(imu, 0.1)
    imu.exchange(0x68, bytes([0x1B, 0xE0, 0xF0]), 0, 0.2)
    response = [w - wo for w, wo in zip(words(imu, 0.3), without, strict=True)]
    share = 1.0 + error * 0.01

    assert response[:3] == pytest.approx([reg.accel_trim(12) * share] * 3, abs=1.0)
    assert response[4:] == pytest.approx([reg.gyro_trim(9, n) * share for n in range(3)], abs=1.0)


@pytest.mark.parametrize(("pose", "axis", "sign"), [((1.0, 0.0, 0.0), 0, 1), ((0.0, -1.0, 0.0), 1, -1)])
def test_gravity_follows_the_pose(pose: tuple[float, float, float], axis: int, sign: int) -> None:
    """The axis that points up reads +1 g."""
    imu, _ = awake()
    lies = imu.pose.hold(pose, 0.1)

    assert words(imu, lies + 0.01)[axis] == sign * 16384


def test_turning_integrates_to_the_angle() -> None:
    """From +z up to +x up are 90°, and gravity's way and the gyro's agree: du/dt = -ω × u."""
    imu, _ = awake(GYRO_CONFIG=0x18, SMPLRT_DIV=0, CONFIG=1)
    imu.pose.hold((1.0, 0.0, 0.0), 0.1)
    turned = sum(words(imu, 0.1 + n * 1e-3)[5] for n in range(801)) / 16.4 * 1e-3
    up, later = imu.pose.up(0.3), imu.pose.up(0.301)
    omega = math.radians(imu.pose.rate_dps(0.3)[1])

    assert abs(turned) == pytest.approx(90.0, rel=0.01)
    # -ω × u for ω along y: x' = -ω·uz, z' = ω·ux
    assert (later[0] - up[0]) / 1e-3 == pytest.approx(-omega * up[2], rel=0.01)
    assert (later[2] - up[2]) / 1e-3 == pytest.approx(omega * up[0], rel=0.01)


def test_noise_as_published() -> None:
    """PS 6.1, 6.2: 0.05 °/s rms with DLPF 2; 400 µg/√Hz over its 94 Hz is 3.9 mg."""
    imu, _ = awake(replace(ImuSpec(), temperature_degc=25.0), CONFIG=2)
    rows = [words(imu, 0.1 + n * 0.01) for n in range(3000)]

    assert statistics.pstdev(row[4] for row in rows) / 131.0 == pytest.approx(0.05, rel=0.06)
    assert statistics.pstdev(row[0] for row in rows) / 16.384 == pytest.approx(0.4 * math.sqrt(94), rel=0.06)


def test_sample_rate() -> None:
    """RM 4.2: 1 kHz / (1 + SMPLRT_DIV) with the filter on: data change every 10 ms at 9, not between."""
    imu, _ = awake(ImuSpec(), SMPLRT_DIV=9, CONFIG=3)
    changed = sum(words(imu, 0.1 + n * 1e-3) != words(imu, 0.1 + (n + 1) * 1e-3) for n in range(100))

    assert changed == 10


def test_mounting_turns_the_axes() -> None:
    """Mounted "yxz" the sensor's x lies along the board's y."""
    imu, _ = awake(replace(QUIET, mount="yxz"))
    lies = imu.pose.hold((0.0, 1.0, 0.0), 0.0)

    assert words(imu, lies + 0.1)[:3] == [16384, 0, 0]


def test_power_loss_puts_it_to_sleep() -> None:
    """PS 6.3: it needs 2.375 V; afterwards it is as after reset."""
    imu, _ = awake()
    imu.power(2.0, 0.1)
    gone = imu.exchange(0x68, b"\x75", 1, 0.1)
    imu.power(3.3, 0.2)

    assert gone is None
    assert read(imu, 0x6B, 1, 0.3) == b"\x40"


def test_bus_byte_by_byte() -> None:
    """Start, register, repeated start, read on: the register number advances."""
    imu, _ = made()

    assert imu.start(0x68, False)
    assert imu.write(0x75)
    assert imu.start(0x68, True)
    assert [imu.read(), imu.read()] == [0x68, 0x00]
    imu.stop()
    assert not imu.write(0x6B)
