"""Inertial sensors of one family: alike in their registers, apart in temperature and self-test.

Temperature: MPU-6000/MPU-6050 Register Map, rev. 4.2, section 4.18; of the others scale and offset, and all identities
but 0x72, as the Linux kernel's driver has them (drivers/iio/imu/inv_mpu6050/inv_mpu_iio.h: MPU6500 7011 counts and
2.995178 m°C a count; ICM20608, as which the ICM-20689 counts, 8170 and 3.059976).
Self-test: section 4.1 of that register map; of the others the maker's application note AN-MPU-9250A-03, from memory,
its formula as public drivers have it: a factory value of 2620 · 1.01^(code − 1) counts at ±2 g and ±250 °/s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats


@dataclass(frozen=True, slots=True)
class SensorKind:
    """counts_per_degree, zero_c: temperature is raw / counts_per_degree + zero_c.

    own_trims: a factory value a byte, in the registers 0x00 to 0x02 (gyro) and 0x0D to 0x0F (accelerometer).
    """

    name: str
    counts_per_degree: float
    zero_c: float
    own_trims: bool

    def temperature_c(self, raw: npt.ArrayLike) -> Floats:
        """Temperature in °C of the signed register value, any shape."""
        out: Floats = np.asarray(raw, np.float64) / self.counts_per_degree + self.zero_c
        return out


#: by WHO_AM_I; who answers 0x72 is told of by users of bought boards only and taken for an MPU-6500 (common practice)
KINDS: Mapping[int, SensorKind] = {
    0x68: SensorKind("MPU-6000, MPU-6050 or MPU-9150", 340.0, 36.53, False),
    0x70: SensorKind("MPU-6500", 333.87, 21.0, True),
    0x71: SensorKind("MPU-9250", 333.87, 21.0, True),
    0x72: SensorKind("a look-alike of the MPU-6500", 333.87, 21.0, True),
    0x98: SensorKind("ICM-20689", 326.8, 25.0, True),
}
#: where the factory's values lie, gyro first
GYRO_TRIMS, ACCEL_TRIMS = 0x00, 0x0D
#: a response must be between these shares of the factory's value; a gyro's has no upper one (AN-MPU-9250A-03)
RATIO_LEAST, RATIO_MOST = 50.0, 150.0


def own_trim(code: int) -> float:
    """Factory value in counts at ±2 g or ±250 °/s; 0 where none is stored."""
    return 2620.0 * 1.01 ** (code - 1) if code else 0.0


def ratio_percent(response: float, code: int) -> float:
    """The response in per cent of the factory's value; NaN where none is stored."""
    trim = own_trim(code)
    return 100.0 * response / trim if trim else float("nan")
