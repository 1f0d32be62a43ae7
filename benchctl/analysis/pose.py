"""The inertial sensor: scales, self-test, bias and noise, six-pose calibration, orientation.

From the MPU-6000/MPU-6050 Register Map and Descriptions, rev. 4.2 (self-test section 4.1, temperature section
4.18, scales sections 4.4 and 4.5) and Product Specification, rev. 3.4 (self-test limits sections 6.1 and
6.2).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.sweep import mean_interval
from benchctl.analysis.tails import Floats, check_level, student_quantile
from benchctl.errors import UsageError
from benchctl.terms import Interval

#: counts per °/s at ±250, 500, 1000, 2000 °/s and per g at ±2, 4, 8, 16 g
GYRO_COUNTS = {250: 131.0, 500: 65.5, 1000: 32.8, 2000: 16.4}
ACCEL_COUNTS = {2: 16384.0, 4: 8192.0, 8: 4096.0, 16: 2048.0}
#: a self-test response may differ from the factory's by this many percent
SELF_TEST_PERCENT = 14.0
AXES = ("x", "y", "z")


def rate_dps(counts: npt.ArrayLike, full_scale: int = 250) -> Floats:
    """Rate in °/s of gyro counts, any shape. Raises UsageError for an unknown full scale."""
    return np.asarray(counts, np.float64) / _scale(GYRO_COUNTS, full_scale)


def acceleration_g(counts: npt.ArrayLike, full_scale: int = 2) -> Floats:
    """Acceleration in g of accelerometer counts, any shape. Raises UsageError for an unknown full scale."""
    return np.asarray(counts, np.float64) / _scale(ACCEL_COUNTS, full_scale)


def _scale(table: dict[int, float], full_scale: int) -> float:
    if full_scale not in table:
        raise UsageError(f"full scale {full_scale} is none of {', '.join(map(str, table))}")
    return table[full_scale]


def temperature_c(raw: npt.ArrayLike) -> Floats:
    """Temperature in °C of the signed register value."""
    out: Floats = np.asarray(raw, np.float64) / 340.0 + 36.53
    return out


@dataclass(frozen=True, slots=True)
class TrimCodes:
    """The factory's self-test codes, 0 to 31, for x, y, z."""

    accel: tuple[int, int, int]
    gyro: tuple[int, int, int]


def trim_codes(registers: tuple[int, int, int, int]) -> TrimCodes:
    """Codes from the four registers SELF_TEST_X, Y, Z, A (0x0D to 0x10)."""
    x, y, z, a = registers
    shared = ((a >> 4) & 3, (a >> 2) & 3, a & 3)
    high = tuple((r >> 5) << 2 for r in (x, y, z))
    accel = (high[0] | shared[0], high[1] | shared[1], high[2] | shared[2])
    return TrimCodes(accel, (x & 31, y & 31, z & 31))


def gyro_trim(code: int, axis: str) -> float:
    """Factory self-test response of a gyro axis in counts at ±250 °/s; the y axis has the other sign. 0 for
    0."""
    if code == 0:
        return 0.0
    return (-1.0 if axis == "y" else 1.0) * 25.0 * 131.0 * 1.046 ** (code - 1)


def accel_trim(code: int) -> float:
    """Factory self-test response of an accelerometer axis in counts at ±8 g. 0 for code 0."""
    return 0.0 if code == 0 else 4096.0 * 0.34 * (0.92 / 0.34) ** ((code - 1) / 30.0)


@dataclass(frozen=True, slots=True)
class SelfTest:
    """One axis: the factory's response, the measured one, the change in percent. A sensor without a factory
    value (code 0) has a NaN change and does not pass."""

    name: str
    trim: float
    response: float

    @property
    def change(self) -> float:
        """From the factory's trim, %; NaN where none is stored."""
        return 100.0 * (self.response - self.trim) / self.trim if self.trim else math.nan

    @property
    def has_factory_value(self) -> bool:
        """Whether the chip holds a trim."""
        return self.trim != 0

    @property
    def passed(self) -> bool:
        """Whether the change is within the data sheet's 14 %."""
        return self.has_factory_value and abs(self.change) <= SELF_TEST_PERCENT


def self_test(
    registers: tuple[int, int, int, int], accel_response: npt.ArrayLike, gyro_response: npt.ArrayLike
) -> tuple[SelfTest, ...]:
    """All six axes, accel x, y, z then gyro x, y, z.

    *_response: output with self-test minus output without, counts at ±8 g and ±250 °/s, shape (3,).
    """
    codes = trim_codes(registers)
    accel, gyro = np.asarray(accel_response, np.float64), np.asarray(gyro_response, np.float64)
    trims = [accel_trim(c) for c in codes.accel] + [
        gyro_trim(c, axis) for c, axis in zip(codes.gyro, AXES, strict=True)
    ]
    names = [f"accel_{a}" for a in AXES] + [f"gyro_{a}" for a in AXES]
    answers = [*accel.tolist(), *gyro.tolist()]
    return tuple(SelfTest(*row) for row in zip(names, trims, answers, strict=True))


@dataclass(frozen=True, slots=True)
class Rest:
    """An axis at rest: bias (mean) with interval, noise (standard deviation)."""

    bias: float
    interval: Interval | None
    noise: float


def at_rest(samples: npt.ArrayLike, level: float = 0.95) -> tuple[Rest, ...]:
    """Bias and noise of each column of `samples`, shape (n, axes), n at least 2."""
    s = np.asarray(samples, np.float64)
    if s.ndim != 2 or len(s) < 2:
        raise UsageError(f"samples at rest must have shape (n, axes) with n of at least 2, got {s.shape}")
    return tuple(Rest(float(c.mean()), mean_interval(c, level), float(c.std(ddof=1))) for c in s.T)


#: the six poses by the direction that points up, and the gravity each should show in g
POSES: dict[str, tuple[float, float, float]] = {
    "+x": (1, 0, 0),
    "-x": (-1, 0, 0),
    "+y": (0, 1, 0),
    "-y": (0, -1, 0),
    "+z": (0, 0, 1),
    "-z": (0, 0, -1),
}


@dataclass(frozen=True, slots=True, eq=False)
class PoseFit:
    """Calibration of an accelerometer: true = matrix @ (measured - offset).

    scale: gain of each axis, 1 at best. offset: in g. scale_intervals, offset_intervals: one an axis. cross:
    how much the axes see of each other, largest off-diagonal of the gain matrix; 0 when not fitted. residual:
    rms in g.
    """

    scale: Floats
    offset: Floats
    scale_intervals: tuple[Interval, ...]
    offset_intervals: tuple[Interval, ...]
    gain: Floats
    residual: float

    @property
    def cross(self) -> float:
        """Greatest share of one axis that shows in another."""
        return float(np.abs(self.gain - np.diag(np.diag(self.gain))).max())

    def corrected(self, measured: npt.ArrayLike) -> Floats:
        """Measured vectors in g, shape (..., 3), with gain and offset taken out."""
        out: Floats = (np.asarray(measured, np.float64) - self.offset) @ np.linalg.inv(self.gain).T
        return out


def fit_poses(
    measured: npt.ArrayLike, truth: npt.ArrayLike, *, cross_axis: bool = False, level: float = 0.95
) -> PoseFit:
    """Least squares of measured = gain @ truth + offset, axis by axis.

    measured, truth: g, shape (n, 3), one row a pose (mean of its samples); truth from POSES. cross_axis: fit
    the full matrix, else its diagonal only. Raises UsageError when the poses do not determine the parameters.
    """
    m, g = np.asarray(measured, np.float64), np.asarray(truth, np.float64)
    if m.shape != g.shape or m.ndim != 2 or m.shape[1] != 3:
        raise UsageError(f"poses must have shape (n, 3), got {m.shape} and {g.shape}")
    gain, offset, scales, offsets, squares = np.zeros((3, 3)), np.zeros(3), [], [], 0.0
    for axis in range(3):
        used = list(range(3)) if cross_axis else [axis]
        columns = np.column_stack((np.ones(len(m)), g[:, used]))
        freedom = len(m) - columns.shape[1]
        if freedom < 1 or np.linalg.matrix_rank(columns) < columns.shape[1]:
            raise UsageError(f"{len(m)} poses do not determine the {AXES[axis]} axis")
        found = np.linalg.lstsq(columns, m[:, axis], rcond=None)[0]
        rest = m[:, axis] - columns @ found
        squares += float(rest @ rest)
        errors = np.sqrt(np.diag(np.linalg.inv(columns.T @ columns)) * float(rest @ rest) / freedom)
        half = student_quantile((1 + check_level(level)) / 2, freedom) * errors
        offset[axis], gain[axis, used] = found[0], found[1:]
        own = 1 + used.index(axis)
        scales.append(Interval(found[own] - half[own], found[own] + half[own], level))
        offsets.append(Interval(found[0] - half[0], found[0] + half[0], level))
    residual = math.sqrt(squares / m.size)
    return PoseFit(np.diag(gain).copy(), offset, tuple(scales), tuple(offsets), gain, residual)


def facing_up(measured: npt.ArrayLike) -> tuple[str, float]:
    """Which pose a gravity vector in g, shape (3,), shows, and the angle from it in degrees.

    Raises UsageError for a vector of no length.
    """
    v = np.asarray(measured, np.float64)
    size = float(np.linalg.norm(v))
    if size == 0:
        raise UsageError("no acceleration at all: the sensor gives no direction")
    match = {name: float(v @ np.array(axis)) / size for name, axis in POSES.items()}
    best = max(match, key=lambda name: match[name])
    return best, math.degrees(math.acos(min(1.0, match[best])))


def to_sensor(board: npt.ArrayLike, mount: str) -> npt.NDArray[np.float64]:
    """A vector along the board's axes, shape (3,), as a sensor mounted so reads it. mount: see `turn`."""
    return turn(mount) @ np.asarray(board, np.float64)


def to_board(sensor: npt.ArrayLike, mount: str) -> npt.NDArray[np.float64]:
    """A sensor's vector, shape (3,), along the board's axes."""
    return turn(mount).T @ np.asarray(sensor, np.float64)


def turn(mount: str) -> npt.NDArray[np.float64]:
    """Board to sensor axes, shape (3, 3), of a mounting such as "y-xz": the sensor's x lies along the board's y."""
    out = np.zeros((3, 3))
    for row, part in enumerate(re.findall("-?[xyz]", mount)):
        out[row, "xyz".index(part[-1])] = -1.0 if part[0] == "-" else 1.0
    return out


def axis_mapping(seen: dict[str, str]) -> str:
    """How the sensor sits, from the pose asked for and the pose seen: "" when they agree, else one clause."""
    wrong = {asked: got for asked, got in seen.items() if asked != got}
    if not wrong:
        return ""
    opposite = all(asked[1] == got[1] for asked, got in wrong.items())
    pairs = ", ".join(f"{asked} reads {got}" for asked, got in sorted(wrong.items()))
    return f"{'mounted the other way round' if opposite else 'axes swapped'}: {pairs}"
