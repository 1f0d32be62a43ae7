"""Registers and figures of the MPU-6050.

Sources: MPU-6000/MPU-6050 Register Map and Descriptions, RM-MPU-6000A-00 rev 4.2 (RM); Product Specification,
PS-MPU-6000A-00 rev 3.4 (PS).
"""

from __future__ import annotations

SELF_TEST_X, SELF_TEST_A = 0x0D, 0x10
SMPLRT_DIV, CONFIG, GYRO_CONFIG, ACCEL_CONFIG = 0x19, 0x1A, 0x1B, 0x1C
INT_STATUS = 0x3A
ACCEL_XOUT_H, GYRO_ZOUT_L = 0x3B, 0x48
PWR_MGMT_1, PWR_MGMT_2, WHO_AM_I = 0x6B, 0x6C, 0x75
#: all others are 0 after reset, RM section 3
RESET = {PWR_MGMT_1: 0x40, WHO_AM_I: 0x68}
DEVICE_RESET, SLEEP, TEMP_DIS = 0x80, 0x40, 0x08
READ_ONLY = frozenset([*range(SELF_TEST_X, SELF_TEST_A + 1), *range(INT_STATUS, GYRO_ZOUT_L + 1), WHO_AM_I])

#: LSB per g and per °/s by full-scale code, PS 6.1, 6.2
ACCEL_LSB = (16384.0, 8192.0, 4096.0, 2048.0)
GYRO_LSB = (131.0, 65.5, 32.8, 16.4)
#: bandwidth in Hz by DLPF_CFG, RM 4.3; 0 and 7: gyro rate 8 kHz
ACCEL_BAND = (260.0, 184.0, 94.0, 44.0, 21.0, 10.0, 5.0, 260.0)
GYRO_BAND = (256.0, 188.0, 98.0, 42.0, 20.0, 10.0, 5.0, 256.0)
#: °C = raw / first + second by WHO_AM_I: RM 4.18; MPU-6500 and ICM-20689 data sheets (from memory)
TEMPERATURES = {
    0x68: (340.0, 36.53),
    0x70: (333.87, 21.0),
    0x71: (333.87, 21.0),
    0x72: (333.87, 21.0),
    0x98: (326.8, 25.0),
}


def gyro_trim(code: int, axis: int) -> float:
    """Factory trim in LSB at ±250 °/s; y has the minus sign; 0 for code 0. RM 4.1."""
    if code == 0:
        return 0.0
    return (-25.0 if axis == 1 else 25.0) * 131.0 * 1.046 ** (code - 1)


def own_trim(code: int) -> float:
    """Factory trim of the later parts in LSB at ±2 g or ±250 °/s; 0 for code 0 (AN-MPU-9250A-03, from memory)."""
    return 0.0 if code == 0 else float(2620.0 * 1.01 ** (code - 1))


def accel_trim(code: int) -> float:
    """Factory trim in LSB at ±8 g; 0 for code 0. RM 4.1."""
    return 0.0 if code == 0 else float(4096.0 * 0.34 * (0.92 / 0.34) ** ((code - 1) / 30.0))


def trim_registers(accel: tuple[int, int, int], gyro: tuple[int, int, int]) -> bytes:
    """SELF_TEST_X, Y, Z, A from the codes, RM 4.1."""
    first = [(a >> 2) << 5 | g for a, g in zip(accel, gyro, strict=True)]
    return bytes([*first, (accel[0] & 3) << 4 | (accel[1] & 3) << 2 | (accel[2] & 3)])
