"""The gauge's stages on both simulated benches, and on `avr` around an ordinary pair that knows nothing of it."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from needs import need_avr

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.analysis.equivalence import Outcome
from benchctl.compare import compare
from benchctl.operate import Operation
from benchctl.procedure.file import Procedure, load, parse
from benchctl.runs.summary import Summary
from benchctl.runs.tables import Tables
from benchctl.terms import Reading, Role, Verdict
from tests.helpers_outputs import confirmed
from tests.hobby_pair.changes import BENCH, HARMFUL, HARMLESS, Change, build

KINDS = ("sim", "avr")


def need(kind: str) -> None:
    if kind == "avr":
        need_avr()


def around_a_probe_pair(*stages: str) -> Procedure:
    """The black box around boards with the probe on them: its reference loop is what is measured."""
    pair = b'kind = "gauge_wiring"\n[stage.parameters]\npair = "probe"'
    text = shipped.procedure("black-box").read_bytes().replace(b'kind = "gauge_wiring"', pair)
    return parse(text, "black-box.toml").only(stages)


def bench_around_a_probe_pair(folder: Path, kind: str, but: str = "") -> Any:
    """The gauge's bench, seed 3, the craft's outputs confirmed before: the probe moves no others. `but`: left out of it."""
    from benchctl.benchfile import load as load_bench

    text = Path(load_bench(BENCH).path).read_text("utf-8")
    assert but in text
    path = folder / "black-box.toml"
    path.write_text(confirmed(text.replace(but, "")), "utf-8")
    return benches.open_bench(str(path), kind=kind, seed=3)


def test_a_servo_output_that_nobody_has_confirmed_is_said(tmp_path: Path) -> None:
    """The probe moves no such output, so the pair's servo line is silent: that is no fault of a jumper."""
    bench = benches.open_bench(BENCH, kind="sim", seed=3)
    try:
        done = Operation(around_a_probe_pair("wiring"), bench, tmp_path, reports=False).perform().summary
    finally:
        bench.close()

    assert done.stages["wiring"].verdict is Verdict.FAIL
    assert "outputs stage" in done.stages["wiring"].reason


def reading(s: Summary, stage: str, name: str) -> Reading:
    found = s.reading(stage, name)
    assert found is not None, f"{stage}.{name}"
    return found


#: enough for every reading; fewer frames claim no interval
FEWER = {"switch": {"presses": 40}, "joystick": {"points": 7, "steps": 10, "frames": 80}}


def shortened() -> Procedure:
    wanted = around_a_probe_pair("wiring", *FEWER)
    steps = [replace(s, parameters={**s.parameters, **FEWER.get(s.name, {})}) for s in wanted.steps]
    return replace(wanted, steps=tuple(steps))


@pytest.fixture(scope="module")
def probes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Summary, Path]]:
    """Both benches' runs around the probe pair."""
    done = {}
    for kind in KINDS:
        need(kind)
        folder = tmp_path_factory.mktemp(kind)
        bench = bench_around_a_probe_pair(folder, kind)
        try:
            result = Operation(shortened(), bench, folder, reports=False).perform()
            done[kind] = result.summary, result.folder
        finally:
            bench.close()
    return done


@pytest.mark.parametrize("kind", KINDS)
def test_stages_pass_around_a_good_pair(probes, kind: str) -> None:
    s, _ = probes[kind]

    assert {name: stage.verdict for name, stage in s.stages.items()} == dict.fromkeys(s.stages, Verdict.PASS)
    supply = reading(s, "wiring", "hand.vcc").interval
    assert supply is not None
    assert supply.low < 5.0 < supply.high  # what the bench file gives the boards


@pytest.mark.parametrize("kind", KINDS)
def test_pulses_are_what_the_probe_was_told(probes, kind: str) -> None:
    """1000 to 2000 us over the joystick's range and frames of 20 ms: the settings' defaults. All the clocks of this
    bench are within 30 ppm, half a tick at these lengths."""
    s, _ = probes[kind]
    low, centre, high = (reading(s, "joystick", n).value for n in ("low", "centre", "high"))

    assert low == pytest.approx(1000.0, abs=1.5)
    # 512 of 1023 counts; the gauge puts out steps of four counts, and the converter is within two (data sheet)
    assert centre == pytest.approx(1500.5, abs=3.0)
    assert high == pytest.approx(2000.0, abs=1.5)
    assert reading(s, "joystick", "frame_period").value == pytest.approx(20_000, abs=2.0)
    assert reading(s, "joystick", "odd_frames").value == 0
    assert reading(s, "joystick", "motor_idle").value == pytest.approx(1000.0, abs=5.0)


@pytest.mark.parametrize("kind", KINDS)
def test_the_switchs_latency_holds_its_debounce(probes, kind: str) -> None:
    """The loop's default waits 5 ms; queue, air and decode are below 1 ms (button to LED measures them apart)."""
    s, _ = probes[kind]

    assert 5.0 < reading(s, "switch", "latency_p50").value < 6.0
    assert reading(s, "switch", "missed").value == 0.0


def test_both_benches_tell_the_same(probes) -> None:
    """Latency within 0.2 ms; step times only within the frame and the packet interval that chance decides on."""
    sim, avr = (probes[k][0] for k in KINDS)

    assert reading(sim, "switch", "latency_p50").value == pytest.approx(
        reading(avr, "switch", "latency_p50").value, abs=0.2
    )
    assert abs(reading(sim, "joystick", "step").value - reading(avr, "joystick", "step").value) < 20.0


@pytest.mark.parametrize("kind", KINDS)
def test_the_values_behind_the_readings_are_kept(probes, kind: str) -> None:
    """Each table's own mean or median is the reading."""
    s, folder = probes[kind]
    load_table = Tables(folder)
    steady = load_table(s.stages["joystick"].tables["steady"])
    late = load_table(s.stages["switch"].tables["switch_to_led"])[:, 1]

    assert np.median(steady[:, 1]) == pytest.approx(reading(s, "joystick", "frame_period").value, abs=1.0)
    assert np.median(late) == pytest.approx(reading(s, "switch", "latency_p50").value, rel=0.02)
    assert len(load_table(s.stages["joystick"].tables["step"])) == reading(s, "joystick", "step").n


@pytest.mark.parametrize("kind", KINDS)
def test_no_reset_is_seen_where_there_is_none(probes, kind: str) -> None:
    s, _ = probes[kind]

    assert [reading(s, stage, "resets").value for stage in ("switch", "joystick")] == [0.0, 0.0]


@pytest.mark.long
def test_a_board_that_loses_its_supply_is_counted(tmp_path: Path) -> None:
    """The craft's plug is pulled once in the middle of the stage: its reset line falls once."""
    bench = bench_around_a_probe_pair(tmp_path, "sim")
    pulled: list[float] = []

    def pull(event: ev.Event) -> None:
        if isinstance(event, ev.Progress) and event.stage == "switch" and event.done == 100 and not pulled:
            pulled.append(event.t)
            operator = bench.world.operator
            operator.show(ev.Prompt(event.t, "switch", 9999, ev.PromptKind.DO, "", "replug", Role.CRAFT))

    try:
        s = (
            Operation(around_a_probe_pair("wiring", "switch"), bench, tmp_path, readers=[pull], reports=False)
            .perform()
            .summary
        )
    finally:
        bench.close()

    assert pulled
    assert reading(s, "switch", "resets").value == 1.0
    assert s.stages["switch"].verdict is Verdict.FAIL


def test_the_switch_line_is_only_ever_pulled_low(tmp_path: Path) -> None:
    """Open drain, at the gauge's own pin: whatever the pair drives there, no two outputs fight."""
    need("avr")
    from benchctl.avr.chip import Drive
    from benchctl.benchfile import load as load_bench

    bench = bench_around_a_probe_pair(tmp_path, "avr")
    pin = load_bench(BENCH).boards[Role.GAUGE].pins["stimulus"]
    driven: list[Drive] = []
    try:
        bench.chips[Role.GAUGE].watch_drive(pin, lambda drive, time: driven.append(drive))
        s = Operation(around_a_probe_pair("wiring"), bench, tmp_path, reports=False).perform().summary
    finally:
        bench.close()

    assert s.stages["wiring"].verdict is Verdict.PASS
    assert driven[-2:] == [Drive.LOW, Drive.INPUT]
    assert Drive.HIGH not in driven


def test_a_missing_jumper_is_found_by_the_wiring_stage(tmp_path: Path) -> None:
    """Without the LED's jumper the LED does not follow; what needs the wiring is not run."""
    bench = bench_around_a_probe_pair(tmp_path, "sim", but='[[pair.jumper]]\nfrom = "craft.led"\nto = "gauge.watch1"\n')
    try:
        s = Operation(around_a_probe_pair("wiring", "switch"), bench, tmp_path, reports=False).perform().summary
    finally:
        bench.close()

    assert s.stages["wiring"].verdict is Verdict.FAIL
    assert reading(s, "wiring", "follows_switch").value == 0.0
    assert s.stages["switch"].verdict is Verdict.NOT_RUN


# ---------------------------------------------------------------------- an ordinary pair

own_pulses = pytest.mark.pulses("the pair's own firmware, which knows no confirmed outputs")


def hobby(change: Change, seed: int, folder: Path, *only: str) -> Summary:
    need("avr")
    (folder / "images").mkdir(parents=True)
    wanted = load(shipped.procedure("black-box"))
    return on_avr(build(change, folder / "images"), seed, folder, wanted.only(only) if only else wanted)


def on_avr(images: dict[str, str], seed: int, folder: Path, wanted: Procedure, bench_file: str = BENCH) -> Summary:
    bench = benches.open_bench(bench_file, seed=seed, images={Role(role): path for role, path in images.items()})
    try:
        return Operation(wanted, bench, folder / "runs", reports=False).perform().summary
    finally:
        bench.close()


@pytest.mark.long
@own_pulses
def test_images_may_be_intel_hex(ordinary: Summary, tmp_path: Path) -> None:
    """The ordinary pair once more, as HEX files: the same firmware, found by the same wiring."""
    bench_images = {}
    for role, elf in build(Change("none"), tmp_path).items():
        bench_images[Role(role)] = str(tmp_path / f"{role}.hex")
        subprocess.run(["avr-objcopy", "-O", "ihex", "-R", ".eeprom", elf, bench_images[Role(role)]], check=True)
    bench = benches.open_bench(BENCH, seed=1, images=bench_images)
    try:
        wanted = load(shipped.procedure("black-box")).only(["wiring"])
        s = Operation(wanted, bench, tmp_path / "runs", reports=False).perform().summary
    finally:
        bench.close()

    assert s.stages["wiring"].verdict is Verdict.PASS
    assert {r: i["file"] for r, i in s.images.items()} == {"hand": "hand.hex", "craft": "craft.hex"}
    assert reading(s, "wiring", "follows_stick").value == reading(ordinary, "wiring", "follows_stick").value


def change_called(name: str) -> Change:
    return next(c for c in (*HARMFUL, *HARMLESS) if c.name == name)


@pytest.fixture(scope="module")
def ordinary(tmp_path_factory: pytest.TempPathFactory) -> Summary:
    return hobby(Change("none"), 1, tmp_path_factory.mktemp("ordinary"))


@pytest.mark.long
@own_pulses
def test_the_cut_off_of_an_ordinary_pair(tmp_path: Path) -> None:
    """300 ms of silence stand in its sketch, from the last packet, which may be one interval of 20 ms old; then a frame."""
    s = hobby(Change("none"), 1, tmp_path, "wiring", "cut-off")

    assert {stage.verdict for stage in s.stages.values()} == {Verdict.PASS}
    assert 270.0 < reading(s, "cut-off", "cut_off").value < 330.0


@pytest.mark.long
@own_pulses
def test_an_ordinary_pair_passes(ordinary: Summary) -> None:
    """What stands in its sketches is what is found: 10 ms of debounce, 300 ms of silence, frames of 20 ms."""
    assert {s.verdict for s in ordinary.stages.values()} == {Verdict.PASS}
    assert 10.0 < reading(ordinary, "switch", "latency_p50").value < 13.0
    # the silence limit counts from the last packet, which may be one interval of 20 ms old, and a frame goes by
    assert 270.0 < reading(ordinary, "cut-off", "cut_off").value < 330.0
    assert reading(ordinary, "joystick", "frame_period").value == pytest.approx(20_000, abs=2.0)
    assert reading(ordinary, "joystick", "motor_idle").value == pytest.approx(1000.0, abs=6.0)


@pytest.mark.long
@own_pulses
def test_its_images_are_in_the_record(ordinary: Summary) -> None:
    assert {role: i["file"] for role, i in ordinary.images.items()} == {"hand": "hand.elf", "craft": "craft.elf"}
    assert {len(i["sha256"]) for i in ordinary.images.values()} == {64}
    assert ordinary.labels["hand"] == "mudlark-hand-01"
    assert not ordinary.boards[Role.GAUGE].lost


@pytest.mark.long
@own_pulses
@pytest.mark.parametrize(
    ("name", "stages"),
    [
        ("wrong rounding in the map", ("wiring", "joystick")),
        ("debounce doubled", ("wiring", "switch")),
        ("starts a second later", ("wiring", "cut-off")),
    ],
)
def test_a_harmful_change_is_worse_in_the_right_reading(
    ordinary: Summary, tmp_path: Path, name: str, stages: tuple[str, ...]
) -> None:
    """A sample of tests/campaigns/seeded_changes.py."""
    change = change_called(name)
    found = compare(ordinary, hobby(change, 2, tmp_path, *stages))

    assert {r.new.name for r in found.having(Outcome.WORSE)} & set(change.readings)
    assert any("image was" in d for d in found.differences)


@pytest.mark.long
@own_pulses
def test_a_harmless_change_is_not_worse(ordinary: Summary, tmp_path: Path) -> None:
    found = compare(ordinary, hobby(change_called("optimised harder"), 3, tmp_path))

    assert not found.having(Outcome.WORSE)
    assert found.verdict is not Verdict.FAIL


@pytest.mark.long
def test_every_change_is_another_firmware(tmp_path: Path) -> None:
    """Each change compiles, and changes the image that it says it does; at least 15 harmful ones and 5 harmless."""
    need("avr")

    def images(change: Change, number: int) -> dict[str, bytes]:
        folder = tmp_path / str(number)
        folder.mkdir()
        from benchctl.avr.image import read_image

        return {role: read_image(path) for role, path in build(change, folder).items()}

    plain = images(Change("none"), 0)
    for number, change in enumerate(HARMFUL, 1):
        made = images(change, number)
        assert [r for r in made if made[r] != plain[r]] == [r for r in ("hand", "craft") if getattr(change, r)], (
            change.name
        )
    assert len(HARMFUL) >= 15
    assert len(HARMLESS) >= 5
    assert not [c for c in HARMLESS if c.readings]
    assert not [c for c in HARMFUL if not c.readings]
