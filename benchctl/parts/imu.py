"""The inertial sensor MPU-6050, register by register, on its two-wire bus; moved and shaken by the world."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from benchctl.benchfile import AxesSpec, ImuSpec
from benchctl.parts import imu_registers as reg
from benchctl.parts.agenda import Agenda

Vector = tuple[float, float, float]
#: g in x and y, and the frequency in Hz, of what shakes the board at a time
Shaking = Callable[[float], Vector]

#: seconds that a hand takes to turn the board into another pose
TURN_S = 0.8
UP: Vector = (0.0, 0.0, 1.0)


class Pose:
    """How the board lies: which way is up in its own axes, and how fast it is being turned."""

    def __init__(self) -> None:
        self._from, self._to, self._start = UP, UP, -math.inf

    def hold(self, up: Vector, time: float) -> float:
        """Turn the board so that `up` (a unit vector in board axes) points up; returns when it lies still."""
        self._from, self._to, self._start = self.up(time), up, time
        return time + TURN_S

    def _angle(self) -> float:
        dot = sum(a * b for a, b in zip(self._from, self._to, strict=True))
        return math.acos(max(-1.0, min(1.0, dot)))

    def _axis(self) -> Vector:
        """Unit vector about which the board is turned (any at right angles when it is turned over)."""
        f, t = self._from, self._to
        cross = (f[1] * t[2] - f[2] * t[1], f[2] * t[0] - f[0] * t[2], f[0] * t[1] - f[1] * t[0])
        size = math.hypot(*cross)
        if size < 1e-9:
            least = min(range(3), key=lambda n: abs(f[n]))
            helper = tuple(1.0 if n == least else 0.0 for n in range(3))
            cross = (f[1] * helper[2] - f[2] * helper[1], f[2] * helper[0] - f[0] * helper[2],
                     f[0] * helper[1] - f[1] * helper[0])  # fmt: skip
            size = math.hypot(*cross)
        return cross[0] / size, cross[1] / size, cross[2] / size

    def up(self, time: float) -> Vector:
        """Where up is, in the sensor's axes."""
        done = min(1.0, max(0.0, (time - self._start) / TURN_S)) if math.isfinite(self._start) else 1.0
        if done >= 1.0 or self._from == self._to:
            return self._to
        angle, k, f = self._angle() * done, self._axis(), self._from
        c, s = math.cos(angle), math.sin(angle)
        turned = (k[1] * f[2] - k[2] * f[1], k[2] * f[0] - k[0] * f[2], k[0] * f[1] - k[1] * f[0])
        return f[0] * c + turned[0] * s, f[1] * c + turned[1] * s, f[2] * c + turned[2] * s

    def rate_dps(self, time: float) -> Vector:
        """Turning rate in board axes, °/s; the world turns against the vector that points up."""
        if not self._start <= time < self._start + TURN_S:
            return 0.0, 0.0, 0.0
        speed = -math.degrees(self._angle()) / TURN_S
        k = self._axis()
        return k[0] * speed, k[1] * speed, k[2] * speed


class Imu:
    """A bus device: `start`, `write`, `read`, `stop`, or `exchange` for a whole transfer. Absent: no acknowledge."""

    def __init__(self, spec: ImuSpec, agenda: Agenda, chance: random.Random, shaking: Shaking | None = None) -> None:
        self.spec = spec
        self.pose = Pose()
        self._agenda = agenda
        self._chance = chance
        self._shaking = shaking or (lambda time: (0.0, 0.0, 0.0))
        self._mount = _axes_of(spec.mount)
        self._own_trims = spec.who_am_i != reg.RESET[reg.WHO_AM_I]
        self._powered = True
        self._addressed = False
        self._first = True
        self._pointer = 0
        self._sample_at = -1
        self._sample = bytes(14)
        self._reset()

    def _reset(self) -> None:
        self._registers = bytearray(128)
        for number, value in reg.RESET.items():
            self._registers[number] = value
        code = (self.spec.accel_trim_code,) * 3, (self.spec.gyro_trim_code,) * 3
        self._registers[reg.WHO_AM_I] = self.spec.who_am_i
        if self._own_trims:
            self._registers[0:3] = bytes(code[1])
            self._registers[reg.SELF_TEST_X : reg.SELF_TEST_A] = bytes(code[0])
        else:
            self._registers[reg.SELF_TEST_X : reg.SELF_TEST_A + 1] = reg.trim_registers(*code)

    def power(self, volts: float, time: float) -> None:
        """Its supply changes; below 2.375 V (PS 6.3) it is off, and comes back reset."""
        powered = volts >= 2.375
        if powered and not self._powered:
            self._reset()
        self._powered = powered

    # -- the bus --------------------------------------------------------------------------------------------------

    def start(self, address: int, read: bool, time: float | None = None) -> bool:
        """A start condition and the 7-bit address: whether it is acknowledged. time: the agenda's unless given."""
        self._addressed = self.spec.fitted and self._powered and address == self.spec.address
        if self._addressed and not read:
            self._first = True
        if self._addressed and read:
            self._take_sample(self._agenda.now if time is None else time)
        return self._addressed

    def write(self, byte: int) -> bool:
        """A byte from the processor: the register number first, then data. Whether it is acknowledged."""
        if not self._addressed:
            return False
        if self._first:
            self._first, self._pointer = False, byte & 0x7F
        else:
            self._set(self._pointer, byte)
            self._pointer = (self._pointer + 1) & 0x7F
        return True

    def read(self) -> int:
        """A byte to the processor; 0xFF, the bus at rest, when nobody was addressed."""
        if not self._addressed:
            return 0xFF
        value = self._get(self._pointer)
        self._pointer = (self._pointer + 1) & 0x7F
        return value

    def stop(self) -> None:
        self._addressed = False

    def exchange(self, address: int, write: bytes, n_read: int, time: float) -> bytes | None:
        """A whole transfer: write, then read after a repeated start. None when the address is not acknowledged."""
        if not self.start(address, not write, time):
            return None
        for byte in write:
            self.write(byte)
        if n_read and write:
            self.start(address, True, time)
        out = bytes(self.read() for _ in range(n_read))
        self.stop()
        return out

    def _set(self, number: int, value: int) -> None:
        if number == reg.PWR_MGMT_1 and value & reg.DEVICE_RESET:
            self._reset()
        elif number not in reg.READ_ONLY:
            self._registers[number] = value

    def _get(self, number: int) -> int:
        if reg.ACCEL_XOUT_H <= number <= reg.GYRO_ZOUT_L:
            return self._sample[number - reg.ACCEL_XOUT_H]
        value = self._registers[number]
        if number == reg.INT_STATUS:
            self._registers[number] = 0  # cleared by reading, RM 4.16
        return value

    # -- measuring ------------------------------------------------------------------------------------------------

    def _take_sample(self, time: float) -> None:
        """Bring the data registers up to the last whole sample period; asleep they keep what they had."""
        if self._registers[reg.PWR_MGMT_1] & reg.SLEEP:
            return
        filter_code = self._registers[reg.CONFIG] & 7
        rate = (8000.0 if filter_code in (0, 7) else 1000.0) / (1 + self._registers[reg.SMPLRT_DIV])
        index = int(time * rate + 1e-6)
        if index == self._sample_at:
            return
        self._sample_at = index
        self._registers[reg.INT_STATUS] |= 1
        at = index / rate
        words = [*self._accel(at, filter_code), self._temperature(), *self._gyro(at, filter_code)]
        self._sample = b"".join(_word(value) for value in words)

    def _accel(self, time: float, filter_code: int) -> list[float]:
        spec, setup = self.spec, self._registers[reg.ACCEL_CONFIG]
        lsb, band = reg.ACCEL_LSB[setup >> 3 & 3], reg.ACCEL_BAND[filter_code]
        shake_x, shake_y, hertz = self._shaking(time)
        passed = 1.0 / math.hypot(1.0, hertz / band)
        up = self.pose.up(time)
        felt = self._mounted((up[0] + passed * shake_x, up[1] + passed * shake_y, up[2]))
        noise = spec.accel_noise_ug * 1e-6 * math.sqrt(band)
        out = []
        for n, (bias, scale, error) in enumerate(_each(spec.accel_bias_mg, spec.accel_scale_pct, spec.accel_test_pct)):
            g = felt[n] * (1.0 + scale * 0.01) + bias * 1e-3 + self._chance.gauss(0.0, noise)
            if setup >> (7 - n) & 1:
                stimulus = (
                    reg.own_trim(spec.accel_trim_code) / 16384.0
                    if self._own_trims
                    else reg.accel_trim(spec.accel_trim_code) / 4096.0
                )
                g += stimulus * (1.0 + error * 0.01)
            out.append(g * lsb)
        return out

    def _gyro(self, time: float, filter_code: int) -> list[float]:
        spec, setup = self.spec, self._registers[reg.GYRO_CONFIG]
        lsb, band = reg.GYRO_LSB[setup >> 3 & 3], reg.GYRO_BAND[filter_code]
        turning = self._mounted(self.pose.rate_dps(time))
        noise = spec.gyro_noise_dps * math.sqrt(band)
        out = []
        for n, (bias, scale, error) in enumerate(_each(spec.gyro_bias_dps, spec.gyro_scale_pct, spec.gyro_test_pct)):
            dps = turning[n] * (1.0 + scale * 0.01) + bias + self._chance.gauss(0.0, noise)
            if setup >> (7 - n) & 1:
                own = reg.own_trim(spec.gyro_trim_code)
                trim = own if self._own_trims else reg.gyro_trim(spec.gyro_trim_code, n)
                dps += trim / 131.0 * (1.0 + error * 0.01)
            out.append(dps * lsb)
        return out

    def _temperature(self) -> float:
        if self._registers[reg.PWR_MGMT_1] & reg.TEMP_DIS:
            return 0.0
        slope, zero = reg.TEMPERATURES[self.spec.who_am_i]
        return (self.spec.temperature_degc - zero) * slope + self._chance.gauss(0.0, 8.0)

    def _mounted(self, board: Vector) -> Vector:
        x, y, z = (board[axis] * sign for axis, sign in self._mount)
        return x, y, z


def _axes_of(mount: str) -> list[tuple[int, float]]:
    """ "-x-yz" to (axis, sign) per sensor axis."""
    out, sign = [], 1.0
    for letter in mount:
        if letter == "-":
            sign = -1.0
        else:
            out.append(("xyz".index(letter), sign))
            sign = 1.0
    return out


def _each(*axes: AxesSpec) -> list[tuple[float, ...]]:
    return [tuple(getattr(one, name) for one in axes) for name in "xyz"]


def _word(value: float) -> bytes:
    return max(-32768, min(32767, round(value))).to_bytes(2, "big", signed=True)
