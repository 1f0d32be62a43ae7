"""Inertial sensor: presence and address, self-test, bias, noise, temperature, six poses.

MPU-6000/MPU-6050 Register Map and Descriptions rev 4.2 (register numbers), Product Specification rev 3.4 (limits).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis import pose
from benchctl.analysis.sweep import deviation_interval, mean_interval
from benchctl.errors import BoardError, OperatorAbsent, UsageError
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.terms import Interval, Limit, Role, Source

Floats = npt.NDArray[np.float64]
ADDRESSES = (0x68, 0x69)
_SELF_TEST, _DIVIDER, _CONFIG, _GYRO_CONFIG, _ACCEL_CONFIG = 0x0D, 0x19, 0x1A, 0x1B, 0x1C
_POWER, _WHO_AM_I = 0x6B, 0x75
_IDENTITY = 0x68
_TEST_BITS, _RANGE_8G, _RANGE_2G = 0xE0, 0x10, 0x00
#: 1 kHz output, filter 2 (about 100 Hz): one fresh sample every 10 ms
_SAMPLE_US = 10_000
#: gyro start-up to within 1 °/s takes 30 ms (Product Specification 6.1); the self-test needs time to settle
_SETTLE_S = 0.1
_ORDER = ("ax", "ay", "az", "temperature", "gx", "gy", "gz")


def perform(ctx: Context) -> None:
    board = ctx.board(Role.CRAFT)
    address = _find(ctx, board)
    if address is None:
        return
    wake_sensor(ctx, board, address)
    _self_test(ctx, board, address)
    rest = _at_rest(ctx, board, address)
    _poses(ctx, board, address, rest)


def _find(ctx: Context, board: Board) -> int | None:
    """The sensor's bus address; None, with the failure said, when it cannot be used."""
    expected = ctx.count("address")
    seen = list(board.ask("twi_scan", timeout=1.0).data)
    there = [a for a in ADDRESSES if a in seen]
    if not there:
        others = f"; others answer: {', '.join(f'0x{a:02X}' for a in seen)}" if seen else ""
        ctx.fail(
            f"no inertial sensor answers at 0x68 or 0x69{others}: not fitted, without supply, or SDA or SCL is open"
        )
        return None
    address = expected if expected in there else there[0]
    ctx.read("address", address, "", 1, note=f"0x{address:02X} on the bus")
    if address != expected:
        level = "high" if address == 0x69 else "low"
        ctx.fail(
            f"the inertial sensor answers at its {'second' if address == 0x69 else 'first'} address 0x{address:02X} "
            f"(AD0 is {level}), expected 0x{expected:02X}: AD0 is not where the drawing has it"
        )
    identity = _read(board, address, _WHO_AM_I, 1)[0]
    ctx.read("who_am_i", identity, "", 1, note=f"0x{identity:02X}")
    if identity != _IDENTITY:
        ctx.fail(f"WHO_AM_I is 0x{identity:02X}, not 0x68: another chip than an MPU-6050")
        return None
    return address


def _read(board: Board, address: int, register: int, count: int) -> bytes:
    answer = board.ask("twi_read", address=address, reg=register, count=count, timeout=0.5)
    if answer.status or len(answer.data) < count:
        raise BoardError(f"the inertial sensor stopped answering (bus status 0x{answer.status:02X})")
    return bytes(answer.data)


def _write(board: Board, address: int, register: int, value: int) -> None:
    board.ask("twi_write", address=address, reg=register, data=bytes([value]), timeout=0.5)


def wake_sensor(ctx: Context, board: Board, address: int) -> None:
    """Out of sleep, clock from the gyro, filter 2, one sample every 10 ms."""
    _write(board, address, _POWER, 0x01)
    _write(board, address, _DIVIDER, 9)
    _write(board, address, _CONFIG, 2)
    _ranges(board, address, 0x00, _RANGE_2G)
    ctx.wait(_SETTLE_S)


def _ranges(board: Board, address: int, gyro: int, accel: int) -> None:
    _write(board, address, _GYRO_CONFIG, gyro)
    _write(board, address, _ACCEL_CONFIG, accel)


def _stream(ctx: Context, board: Board, address: int, count: int, label: str) -> Floats:
    """Raw samples, shape (count, 7) in the order of the registers."""
    board.events("imu_rows")
    board.ask("imu_stream", address=address, interval_us=_SAMPLE_US, count=count)
    ctx.progress(0, 0, label)
    board.wait_done("imu_stream", 3.0 + count * _SAMPLE_US * 1e-6)
    rows = [row for event in board.events("imu_rows") for row in event.rows]
    return np.array(rows, np.float64).reshape(-1, len(_ORDER))


def _self_test(ctx: Context, board: Board, address: int) -> None:
    """Response to the built-in stimulus against the factory's trim, within 14 %."""
    n = ctx.count("samples") // 2
    trims = tuple(_read(board, address, _SELF_TEST, 4))
    _ranges(board, address, 0x00, _RANGE_8G)
    ctx.wait(_SETTLE_S)
    without = _stream(ctx, board, address, n, "self-test: at rest")
    _ranges(board, address, _TEST_BITS, _TEST_BITS | _RANGE_8G)
    ctx.wait(_SETTLE_S)
    stimulated = _stream(ctx, board, address, n, "self-test: stimulated")
    _ranges(board, address, 0x00, _RANGE_2G)
    ctx.wait(_SETTLE_S)
    if not len(without) or not len(stimulated):
        ctx.doubt("the sensor's samples did not come")
        return
    response = stimulated.mean(axis=0) - without.mean(axis=0)
    results = pose.self_test((trims[0], trims[1], trims[2], trims[3]), response[:3], response[4:])
    columns = (0, 1, 2, 4, 5, 6)
    for one, column in zip(results, columns, strict=True):
        if one.has_factory_value:
            half = 100 / abs(one.trim) * _difference_half(stimulated[:, column], without[:, column])
            ctx.read(
                f"self_test_{one.name}", one.change, "%", 2 * n, Interval(one.change - half, one.change + half),
                Source.SAMPLING, note="against factory trim",
            )  # fmt: skip
        else:
            ctx.read(f"self_test_{one.name}", math.nan, "%", 0, note="no factory value stored")


def _difference_half(a: Floats, b: Floats) -> float:
    """Half the 95 % interval of the difference of two means."""
    return 1.96 * math.sqrt(float(a.var(ddof=1)) / len(a) + float(b.var(ddof=1)) / len(b))


def _at_rest(ctx: Context, board: Board, address: int) -> Floats:
    samples = _stream(ctx, board, address, ctx.count("samples"), "at rest: keep the craft still")
    if len(samples) < 10:
        ctx.doubt("the sensor's samples did not come")
        return samples
    rates = np.column_stack([pose.rate_dps(samples[:, i]) for i in (4, 5, 6)])
    forces = np.column_stack([pose.acceleration_g(samples[:, i]) for i in (0, 1, 2)])
    n = len(samples)
    for axis, still in zip(pose.AXES, pose.at_rest(rates), strict=True):
        ctx.read(f"gyro_{axis}_bias", still.bias, "deg/s", n, still.interval, Source.SAMPLING)
        about = deviation_interval(rates[:, pose.AXES.index(axis)])
        ctx.read(f"gyro_{axis}_noise", still.noise, "deg/s", n, about, Source.SAMPLING, note="rms, filter 2")
    for axis, still in zip(pose.AXES, pose.at_rest(forces), strict=True):
        spread = deviation_interval(forces[:, pose.AXES.index(axis)])
        about = None if spread is None else spread.scaled(1000)
        ctx.read(f"accel_{axis}_noise", 1000 * still.noise, "mg", n, about, Source.SAMPLING, note="rms, filter 2")
    sizes = np.linalg.norm(forces, axis=1)
    pull = float(np.linalg.norm(forces.mean(axis=0)))
    half = 1.96 * float(sizes.std(ddof=1)) / math.sqrt(n)
    ctx.read("gravity", pull, "g", n, Interval(pull - half, pull + half), Source.SAMPLING, note="at rest")
    warmth = pose.temperature_c(samples[:, 3])
    ctx.read("temperature", float(warmth.mean()), "degC", n, mean_interval(warmth), Source.SAMPLING)
    return samples


def _poses(ctx: Context, board: Board, address: int, rest: Floats) -> None:
    """Gravity along each axis both ways: orientation, scale and offset by least squares."""
    if ctx.bench.operator.by == "none" or not ctx.parameters["poses"]:
        ctx.note("six poses left out: nobody there to hold them")
        return
    measured, truth, seen = [], [], {}
    for name, up in pose.POSES.items():
        text = f"Hold the craft still with its {name} axis pointing up (straight away from the floor)."
        prompt = ctx.prompt(ev.PromptKind.DO, text, "hold_pose", role=Role.CRAFT, detail=name, timeout_s=60.0)
        try:
            force = _steady(ctx, board, address, prompt.timeout_s)
        except OperatorAbsent as e:
            ctx.doubt(str(e))
            return
        finally:
            ctx.bench.operator.withdraw(prompt)
        ctx.done(prompt)
        measured.append(force)
        truth.append(up)
        seen[name] = pose.facing_up(force)[0]
    ctx.samples("poses", "poses", {"x": "g", "y": "g", "z": "g"}, np.array(measured))
    mapping = pose.axis_mapping(seen)
    if mapping:
        ctx.fail(f"the sensor is not oriented as the craft: {mapping}")
        return
    try:
        fit = pose.fit_poses(measured, truth)
    except UsageError as e:
        ctx.doubt(str(e))
        return
    for i, axis in enumerate(pose.AXES):
        scale, offset = fit.scale_intervals[i], fit.offset_intervals[i]
        ctx.read(f"accel_{axis}_scale", 100 * float(fit.scale[i]), "%", 6, scale.scaled(100), Source.SAMPLING)
        ctx.read(f"accel_{axis}_bias", 1000 * float(fit.offset[i]), "mg", 6, offset.scaled(1000), Source.SAMPLING)


def _steady(ctx: Context, board: Board, address: int, timeout: float) -> Floats:
    """Mean acceleration once the craft has been moved and lies still again, or has lain still from the start."""
    deadline = ctx.now() + timeout
    last = None
    quiet = 0
    while ctx.now() < deadline:
        samples = _stream(ctx, board, address, 25, "waiting for a steady pose")
        if len(samples) < 20:
            continue
        forces = np.column_stack([pose.acceleration_g(samples[:, i]) for i in (0, 1, 2)])
        mean, unrest = forces.mean(axis=0), float(forces.std(axis=0).max())
        still = unrest < 0.05 and last is not None and float(np.linalg.norm(mean - last)) < 0.03
        quiet = quiet + 1 if still else 0
        last = mean
        # a pose held for a second and a half, after the time a person needs to turn the craft
        if quiet >= 5 and ctx.now() > deadline - timeout + 3.0:
            return np.asarray(mean, np.float64)
    raise OperatorAbsent("the craft was not held still in the pose asked for")


STAGE = Stage(
    kind="inertial",
    title="Inertial sensor",
    instruction="Keep the craft still until asked to turn it; no propellers are needed for this.",
    needs=Needs(roles=(Role.CRAFT,), passed=("identity",)),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("address", 0x68, "bus address the drawing has: 104 (0x68), AD0 low, or 105 (0x69)", "", 0x68, 0x69),
        Parameter("samples", 200, "samples at rest", "", 40, 20000),
        Parameter("poses", True, "ask for the six poses"),
    ),
    measures=(
        Measure("address", "", "bus address", None, "same", 0.5, ""),
        Measure("who_am_i", "", "identity register", Limit(0x68, 0x68), "same", 0.5, ""),
        *(
            Measure(f"self_test_{part}_{axis}", "%", "response against factory trim", Limit(-14.0, 14.0), "same", 3, "")
            for part in ("accel", "gyro")
            for axis in pose.AXES
        ),
        *(Measure(f"gyro_{a}_bias", "deg/s", "rate at rest", Limit(-20.0, 20.0), "same", 1, "") for a in pose.AXES),
        *(Measure(f"gyro_{a}_noise", "deg/s", "rms at rest", Limit(max=0.2), "lower", 0.02, "") for a in pose.AXES),
        *(Measure(f"accel_{a}_noise", "mg", "rms at rest", Limit(max=20.0), "lower", 2, "") for a in pose.AXES),
        Measure("gravity", "g", "size of the acceleration at rest", Limit(0.85, 1.15), "same", 0.02, ""),
        Measure("temperature", "degC", "of the chip", Limit(-40.0, 85.0), "same", 10, ""),
        *(Measure(f"accel_{a}_scale", "%", "gain", Limit(95.0, 105.0), "same", 1, "") for a in pose.AXES),
        # zero-g offset: 50 mg (x, y), 80 mg (z), Product Specification 6.2
        Measure("accel_x_bias", "mg", "offset", Limit(-50.0, 50.0), "same", 10, ""),
        Measure("accel_y_bias", "mg", "offset", Limit(-50.0, 50.0), "same", 10, ""),
        Measure("accel_z_bias", "mg", "offset", Limit(-80.0, 80.0), "same", 10, ""),
    ),
    expected_s=lambda p: 5.0 + 0.03 * float(p["samples"]) + (35.0 if p["poses"] else 0.0),
)
