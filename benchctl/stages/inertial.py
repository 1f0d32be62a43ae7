"""Inertial sensor: presence and address, self-test, bias, noise, temperature, six poses.

MPU-6000/MPU-6050 Register Map and Descriptions rev 4.2 (register numbers), Product Specification rev 3.4 (limits).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis import pose
from benchctl.analysis.sensor_kinds import (
    ACCEL_TRIMS,
    GYRO_TRIMS,
    KINDS,
    RATIO_LEAST,
    RATIO_MOST,
    SensorKind,
    ratio_percent,
)
from benchctl.analysis.sweep import deviation_interval, mean_interval
from benchctl.errors import BoardError, OperatorAbsent, UsageError
from benchctl.facts import SensorAbsent, SensorElsewhere
from benchctl.pairfile.schema import MOUNTS
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.two_wire import scan_bus
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.wire import msg

Floats = npt.NDArray[np.float64]
ADDRESSES = (0x68, 0x69)
_SELF_TEST, _DIVIDER, _CONFIG, _GYRO_CONFIG, _ACCEL_CONFIG = 0x0D, 0x19, 0x1A, 0x1B, 0x1C
_POWER, _WHO_AM_I = 0x6B, 0x75
_TEST_BITS, _RANGE_8G, _RANGE_2G = 0xE0, 0x10, 0x00
#: 1 kHz output, filter 2 (about 100 Hz): one fresh sample every 10 ms
_SAMPLE_US = 10_000
#: gyro start-up to within 1 °/s takes 30 ms (Product Specification 6.1); the self-test needs time to settle
_SETTLE_S = 0.1
_ORDER = ("ax", "ay", "az", "temperature", "gx", "gy", "gz")


def perform(ctx: Context) -> None:
    board = ctx.board(Role.CRAFT)
    found = _find(ctx, board)
    if found is None:
        return
    address, kind = found
    wake_sensor(ctx, board, address)
    _self_test(ctx, board, address, kind)
    rest = _at_rest(ctx, board, address, kind)
    _poses(ctx, board, address, rest)


def _find(ctx: Context, board: Board) -> tuple[int, SensorKind] | None:
    """The sensor's bus address and kind; None, with the failure said, when it cannot be used."""
    facts = board.wiring.facts.sensor
    bus = scan_bus(board)
    for sentence in bus.states:
        ctx.note(f"{board.role}: {sentence}", "warning")
    if bus.slow:
        ctx.note(f"{board.role}: the bus answers at 100 kHz only: weak pull-ups, or long wires", "warning")
    seen = list(bus.addresses)
    there = [a for a in ADDRESSES if a in seen]
    if not there and facts.fitted is None:
        ctx.doubt("no inertial sensor answers, and the pair file does not say whether board.craft.sensor.fitted")
        return None
    if not there:
        ctx.fail(SensorAbsent(tuple(seen)))
        return None
    expected = there[0] if facts.address is None else facts.address
    address = expected if expected in there else there[0]
    ctx.read("address", address, "", 1, note=f"0x{address:02X} on the bus")
    if address != expected:
        ctx.fail(SensorElsewhere(address, expected))
    identity = _read(board, address, _WHO_AM_I, 1)[0]
    ctx.read("who_am_i", identity, "", 1, note=f"0x{identity:02X}")
    kind = KINDS.get(identity)
    if kind is None:
        known = ", ".join(f"0x{code:02X}" for code in KINDS)
        ctx.fail(f"WHO_AM_I is 0x{identity:02X}, none of {known}: another chip than those of the MPU-6050's family")
        return None
    ctx.note(f"the sensor identifies as {kind.name}")
    return address, kind


def _read(board: Board, address: int, register: int, count: int) -> bytes:
    answer = board.ask(msg.TwiRead(address=address, reg=register, count=count), timeout=0.5)
    if answer.status or len(answer.data) < count:
        raise BoardError(f"the inertial sensor stopped answering (bus status 0x{answer.status:02X})")
    return bytes(answer.data)


def _write(board: Board, address: int, register: int, value: int) -> None:
    board.ask(msg.TwiWrite(address=address, reg=register, data=bytes([value])), timeout=0.5)


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
    board.events(msg.ImuRows)
    board.ask(msg.ImuStream(address=address, interval_us=_SAMPLE_US, count=count))
    ctx.progress(0, 0, label)
    board.wait_done(msg.ImuStream, 3.0 + count * _SAMPLE_US * 1e-6)
    got = msg.ImuRows.columns(board.events(msg.ImuRows))
    return np.column_stack(got).astype(np.float64)


def _self_test(ctx: Context, board: Board, address: int, kind: SensorKind) -> None:
    """Response to the built-in stimulus against the factory's trim: within 14 %, or within the kind's own ratios."""
    n = ctx.count("samples") // 2
    trims = tuple(_read(board, address, _SELF_TEST, 4))
    span = _RANGE_2G if kind.own_trims else _RANGE_8G
    _ranges(board, address, 0x00, span)
    ctx.wait(_SETTLE_S)
    without = _stream(ctx, board, address, n, "self-test: at rest")
    _ranges(board, address, _TEST_BITS, _TEST_BITS | span)
    ctx.wait(_SETTLE_S)
    stimulated = _stream(ctx, board, address, n, "self-test: stimulated")
    _ranges(board, address, 0x00, _RANGE_2G)
    ctx.wait(_SETTLE_S)
    if not len(without) or not len(stimulated):
        ctx.doubt("the sensor's samples did not come")
        return
    response = stimulated.mean(axis=0) - without.mean(axis=0)
    if kind.own_trims:
        _ratios(ctx, board, address, response, 2 * n)
        return
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


def _ratios(ctx: Context, board: Board, address: int, response: Floats, n: int) -> None:
    for part, register, columns in (("accel", ACCEL_TRIMS, (0, 1, 2)), ("gyro", GYRO_TRIMS, (4, 5, 6))):
        codes = _read(board, address, register, 3)
        for axis, code, column in zip(pose.AXES, codes, columns, strict=True):
            ratio = ratio_percent(abs(float(response[column])), code)
            note = "against factory trim" if code else "no factory value stored"
            ctx.read(f"trim_ratio_{part}_{axis}", ratio, "%", n if code else 0, note=note)


def _difference_half(a: Floats, b: Floats) -> float:
    """Half the 95 % interval of the difference of two means."""
    return 1.96 * math.sqrt(float(a.var(ddof=1)) / len(a) + float(b.var(ddof=1)) / len(b))


def _at_rest(ctx: Context, board: Board, address: int, kind: SensorKind) -> Floats:
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
    warmth = kind.temperature_c(samples[:, 3])
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
        seen[name] = force
    ctx.samples(
        "poses", "poses", {"x": "g", "y": "g", "z": "g"}, np.array(measured), ctx.picture("acceleration in each pose")
    )
    mount = board.wiring.facts.sensor.mount
    if mount is None:
        mount = next((m for m in MOUNTS if not _turned(seen, m)), "xyz")
        ctx.note(f'the sensor is mounted as "{mount}" (board.craft.sensor.mount in the pair file)')
    mapping = _turned(seen, mount)
    if mapping:
        ctx.fail(f'the sensor is not oriented as the pair file says (mount = "{mount}"): {mapping}')
        return
    try:
        fit = pose.fit_poses(measured, [pose.to_sensor(up, mount) for up in truth])
    except UsageError as e:
        ctx.doubt(str(e))
        return
    for i, axis in enumerate(pose.AXES):
        scale, offset = fit.scale_intervals[i], fit.offset_intervals[i]
        ctx.read(f"accel_{axis}_scale", 100 * float(fit.scale[i]), "%", 6, scale.scaled(100), Source.SAMPLING)
        ctx.read(f"accel_{axis}_bias", 1000 * float(fit.offset[i]), "mg", 6, offset.scaled(1000), Source.SAMPLING)


def _turned(seen: Mapping[str, Floats], mount: str) -> str:
    """How the poses seen differ from those asked for by a sensor mounted so; "" when they agree."""
    return pose.axis_mapping({name: pose.facing_up(pose.to_board(force, mount))[0] for name, force in seen.items()})


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


_PARTS = (("accel", "accelerometer's"), ("gyro", "gyroscope's"))
STAGE = Stage(
    kind="inertial",
    title="Inertial sensor",
    instruction="Keep the craft still until asked to turn it; no propellers are needed for this.",
    needs=Needs(roles=(Role.CRAFT,), passed=("identity",), wired=((Role.CRAFT, "sensor"),)),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("samples", 200, "samples at rest", "", 40, 20000),
        Parameter("poses", True, "ask for the six poses"),
    ),
    measures=(
        ReadingSpec(
            "address", "", "bus address", None, "same", 0.5, "",
            about="Address at which the sensor answers: 104, or 105 with its address pin high (MPU-6050 Product "
                  "Specification).",
        ),
        ReadingSpec(
            "who_am_i", "", "identity register", None, "same", 0.5, "",
            about="What the sensor says it is: 104 for the MPU-6050, 112 or 113 for later parts (their register "
                  "maps).",
        ),
        *(
            ReadingSpec(
                f"self_test_{part}_{axis}", "%", f"{called} self-test, {axis}", Limit(-14.0, 14.0), "same", 3, "",
                about="Change of the self-test's response since the factory; beyond 14 % the part is damaged "
                      "(MPU-6050 Product Specification, 6.1 and 6.2). Usual: within 5 %.",
            )
            for part, called in _PARTS
            for axis in pose.AXES
        ),
        *(
            ReadingSpec(
                f"trim_ratio_{part}_{axis}", "%", f"{called} response by trim, {axis}", Limit(RATIO_LEAST, most),
                "same", 10, "",
                about="Response to the self-test as a share of the factory's, of later parts. Usual: 80 to 120 %.",
            )
            for (part, called), most in zip(_PARTS, (RATIO_MOST, None), strict=True)
            for axis in pose.AXES
        ),
        *(
            ReadingSpec(
                f"gyro_{a}_bias", "deg/s", f"gyroscope's offset, {a}", Limit(-20.0, 20.0), "same", 1, "",
                about="Rate shown at rest; 20 °/s are allowed (MPU-6050 Product Specification, 6.1).",
            )
            for a in pose.AXES
        ),
        *(
            ReadingSpec(
                f"gyro_{a}_noise", "deg/s", f"gyroscope's noise, {a}", Limit(max=0.2), "lower", 0.02, "",
                about="Root mean square of the rate at rest. Usual: 0.05 °/s at 92 Hz (MPU-6050 Product Specification, "
                      "6.1).",
            )
            for a in pose.AXES
        ),
        *(
            ReadingSpec(
                f"accel_{a}_noise", "mg", f"accelerometer's noise, {a}", Limit(max=20.0), "lower", 2, "",
                about="Root mean square of the acceleration at rest. Usual: 4 mg (MPU-6050 Product Specification).",
            )
            for a in pose.AXES
        ),
        ReadingSpec(
            "gravity", "g", "acceleration at rest", Limit(0.85, 1.15), "same", 0.02, "",
            about="Size of the acceleration at rest; anything but 1 g is a wrong range or a broken axis. Usual: 0.95"
                  " to 1.05 g.",
        ),
        ReadingSpec(
            "temperature", "degC", "chip's temperature", Limit(-40.0, 85.0), "same", 10, "",
            about="Temperature that the sensor reports. Usual: room plus some degrees.",
        ),
        *(
            ReadingSpec(
                f"accel_{a}_scale", "%", f"accelerometer's gain, {a}", Limit(95.0, 105.0), "same", 1, "",
                about="Difference of the two poses of this axis as a share of 2 g. Usual: 97 to 103 % (MPU-6050 "
                      "Product Specification, 6.2: 3 %).",
            )
            for a in pose.AXES
        ),
        # zero-g offset: 50 mg (x, y), 80 mg (z), Product Specification 6.2
        ReadingSpec(
            "accel_x_bias", "mg", "accelerometer's offset, x", Limit(-50.0, 50.0), "same", 10, "",
            about="What the x axis shows without gravity; 50 mg are allowed (MPU-6050 Product Specification, 6.2).",
        ),
        ReadingSpec(
            "accel_y_bias", "mg", "accelerometer's offset, y", Limit(-50.0, 50.0), "same", 10, "",
            about="What the y axis shows without gravity; 50 mg are allowed (MPU-6050 Product Specification, 6.2).",
        ),
        ReadingSpec(
            "accel_z_bias", "mg", "accelerometer's offset, z", Limit(-80.0, 80.0), "same", 10, "",
            about="What the z axis shows without gravity; 80 mg are allowed (MPU-6050 Product Specification, 6.2).",
        ),
    ),
    expected_s=lambda p: 5.0 + 0.03 * float(p["samples"]) + (35.0 if p["poses"] else 0.0),
)  # fmt: skip
