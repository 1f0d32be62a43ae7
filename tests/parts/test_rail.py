"""The supply rail against hand calculation, against a brute-force integration, and its short cuts against itself."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchctl.benchfile import RailSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.rail import Rail
from benchctl.parts.regulator import BURST_S, side_by_side

CERAMIC_UF = 0.1


def rail(agenda: Agenda, parent: Rail | None = None, **keys: float | str) -> Rail:
    """A rail without leak and noise, so that hand calculations hold to the last digit."""
    return Rail("rail", RailSpec(leak_ohms=math.inf, noise_mv=0.0, **keys), agenda, parent)  # type: ignore[arg-type]


def radio_rail(agenda: Agenda, **keys: float | str) -> Rail:
    main = rail(agenda)
    base: dict[str, float | str] = {"fed_from": "main", "series_ohms": 0.0, "regulator_volts": 3.3, "joint_ohms": 0.0}
    return rail(agenda, main, **{**base, "bulk_esr_ohms": 0.0, **keys})


# ΔV = I·t/C, textbook physics. Burst lengths: 130 µs settling + 329 bits (32 bytes, 5-byte address, 2-byte CRC) of
# the nRF24L01+ Product Specification v1.0, Table 16 and Fig. 5; 11.3 mA from its Table 4.
@pytest.mark.parametrize(
    ("seconds", "bulk_uf", "droop"),
    [
        (1446e-6, 10, 1.634),
        (1446e-6, 47, 0.348),
        (1446e-6, 100, 0.163),
        (459e-6, 10, 0.519),
        (459e-6, 47, 0.110),
        (459e-6, 100, 0.052),
        (294.5e-6, 10, 0.333),
        (294.5e-6, 47, 0.071),
        (294.5e-6, 100, 0.033),
    ],
)
def test_capacitor_alone_carries_a_burst(seconds: float, bulk_uf: float, droop: float) -> None:
    """With the source cut off, a transmit burst takes I·t/C from the capacitor."""
    node = rail(Agenda(), source_volts=3.3, bulk_uf=bulk_uf - CERAMIC_UF, bulk_esr_ohms=0.0)
    node.switch(False, 0.0)
    node.set_load("radio", 11.3e-3, 0.0)

    assert node.volts(seconds) == pytest.approx(3.3 - droop, abs=0.0006)


def test_series_resistance_of_the_capacitor_adds_at_once() -> None:
    """One ohm adds 11.3 mV the moment the load comes: I·ESR."""
    node = rail(Agenda(), bulk_uf=100.0, bulk_esr_ohms=1.0, inductance_uh=1000.0)
    before = node.volts(1e-3)
    node.set_load("radio", 11.3e-3, 1e-3)

    assert before - node.volts(1e-3 + 1e-9) == pytest.approx(11.3e-3, rel=1e-3)


@pytest.mark.parametrize(("bulk_uf", "droop"), [(100, 0.30), (150, 0.20), (47, 0.64)])
def test_weak_regulator_leaves_the_rest_to_the_capacitor(bulk_uf: float, droop: float) -> None:
    """115 mA for 0.46 ms from 50 mA: (115 - 50) mA · 0.46 ms / C. So 100 µF hold it to 0.3 V."""
    node = radio_rail(Agenda(), regulator_limit_ma=50.0, bulk_uf=bulk_uf - CERAMIC_UF, regulator_recovery_us=2.0)
    node.set_load("radio", 0.115, 1e-3)

    assert 3.3 - node.volts(1.46e-3) == pytest.approx(droop, abs=0.01)


def test_weak_regulator_without_capacitor_loses_the_transceiver() -> None:
    """With 1 µF the same burst goes below 1.9 V within 25 µs, and it comes back after the burst."""
    agenda, told = Agenda(), []
    node = radio_rail(agenda, regulator_limit_ma=50.0, bulk_uf=1.0)
    node.watch(1.9, lambda below, time: told.append((below, time)))
    node.burst("radio", 0.115, 0.46e-3, 1e-3)
    agenda.run_to(5e-3)

    assert [below for below, _ in told] == [True, False]
    # (115 - 50) mA through 1.1 µF: 1.4 V take 23.7 µs, less what the regulator needs to get going
    assert told[0][1] - 1e-3 == pytest.approx(1.1e-6 * 1.4 / 0.065, rel=0.3)


def test_joint_drops_volts_by_ohms_law() -> None:
    """11.3 mA through a joint of 90 Ω are 1.02 V, whatever the capacitor."""
    for bulk_uf in (1.0, 100.0):
        node = radio_rail(Agenda(), joint_ohms=90.0, bulk_uf=bulk_uf)
        node.set_load("radio", 11.3e-3, 0.0)

        assert node.volts(1.0) == pytest.approx(3.3 - 1.017, abs=1e-3)


def test_drop_out() -> None:
    """AMS1117 data sheet: 1.1 V at 0.8 A, so 3.3 V need 4.4 V; below that the output follows the input."""
    for source, expected in ((4.6, 3.3), (4.2, 3.1)):
        agenda = Agenda()
        main = rail(agenda, source_volts=source, series_ohms=0.0, joint_ohms=0.0)
        node = rail(agenda, main, fed_from="main", regulator_volts=3.3, series_ohms=0.0, joint_ohms=0.0)
        node.set_load("radio", 0.8, 0.0)

        assert node.volts(0.1) == pytest.approx(expected, abs=2e-3)


def test_regulator_answers_a_step_with_its_time_constant() -> None:
    """A critically damped answer dips by ΔI·τ/(C·e) at t = τ (textbook)."""
    node = radio_rail(Agenda(), bulk_uf=9.9, regulator_recovery_us=50.0)
    node.set_load("lamp", 0.1, 1e-3)

    assert 3.3 - node.volts(1e-3 + 50e-6) == pytest.approx(0.1 * 50e-6 / (10e-6 * math.e), rel=1e-3)
    assert node.volts(2e-3) == pytest.approx(3.3, abs=1e-4)


def _integrate(spec: dict[str, float], loads: list[tuple[float, float]], times: list[float]) -> list[float]:
    """The rail's law stepped in 10 ns, with nothing of the product's code: (start, amps) loads, node volts at times."""
    capacity, esr = spec["c"], spec["esr"]
    v, i, load, out, dt, step = spec["t"], 0.0, 0.0, [], 1e-8, 0
    pending = list(loads)
    for time in times:
        while step * dt < time:
            if pending and step * dt >= pending[0][0]:
                load = pending.pop(0)[1]
            v += (i - load) / capacity * dt
            if spec["regulated"]:
                tau = spec["tau"]
                slope = capacity / tau**2 * (spec["t"] - spec["r"] * i - v) - 2.0 / tau * (i - load)
                i = min(max(i + slope * dt, 0.0), spec["limit"])
            else:
                i += (spec["t"] - spec["r"] * i - v - esr * (i - load)) / spec["l"] * dt
                i = min(i, spec["limit"])
            step += 1
        out.append(v + esr * (i - load))
    return out


@pytest.mark.parametrize("seed", range(12))
def test_exact_stretches_agree_with_brute_force(seed: int) -> None:
    """Random rails under random loads, clamps met and left: within 0.3 % of the source against 10 ns steps."""
    chance = random.Random(seed)
    regulated = seed % 2 == 0
    capacity, esr = chance.uniform(1e-6, 2e-5), chance.uniform(0.0, 0.3)
    joint, limit = chance.uniform(0.05, 2.0), chance.choice([0.05, 0.3, 1e9])
    inductance, tau = chance.uniform(0.5e-6, 5e-6), chance.uniform(3e-6, 3e-5)
    loads = [(2e-5 * n, chance.choice([0.0, 0.02, 0.08, 0.2])) for n in range(1, 12)]
    times = [7e-6 * n for n in range(1, 40)]
    agenda = Agenda()
    keys = {
        "bulk_uf": capacity * 1e6 - CERAMIC_UF, "bulk_esr_ohms": esr, "joint_ohms": joint, "series_ohms": 0.0,
        "inductance_uh": inductance * 1e6, "regulator_limit_ma": limit * 1e3 if limit < 1 else 0.0,
        "regulator_recovery_us": tau * 1e6, "regulator_dropout_v": 2.0,
    }  # fmt: skip
    node = rail(agenda, source_volts=7.0 if regulated else 5.0, regulator_volts=5.0 if regulated else 0.0, **keys)
    got, left = [], list(loads)
    for time in times:
        while left and left[0][0] <= time:
            node.set_load("load", left[0][1], left.pop(0)[0])
        got.append(node.volts(time))

    spec = {"c": capacity, "esr": esr, "t": 5.0, "r": joint, "l": inductance, "tau": tau, "limit": limit}
    assert got == pytest.approx(_integrate({**spec, "regulated": regulated}, loads, times), abs=0.015)


def test_dips_shorter_than_two_microseconds_are_not_seen() -> None:
    """ATmega328P data sheet, brown-out detection: minimum pulse width 2 µs."""
    for seconds, seen in ((1e-6, False), (10e-6, True)):
        agenda, told = Agenda(), []
        node = rail(agenda, source_volts=5.0, series_ohms=0.0, bulk_esr_ohms=100.0, inductance_uh=1000.0)
        node.watch(4.3, lambda below, time, told=told: told.append(below))
        node.burst("spike", 0.01, seconds, 1e-3)
        agenda.run_to(2e-3)

        assert bool(told) == seen


def test_hysteresis_holds_until_fifty_millivolts_above() -> None:
    """Same table: the detector lets go 50 mV above its level."""
    agenda, told = Agenda(), []
    node = rail(agenda, source_volts=5.0, series_ohms=1.0, joint_ohms=0.0)
    node.watch(4.3, lambda below, time: told.append(below))
    for at, amps in ((0.01, 0.8), (0.02, 0.68), (0.03, 0.6)):
        agenda.run_to(at)
        node.set_load("load", amps, at)
        agenda.run_to(at + 0.009)
        told.append(round(node.volts(agenda.now), 2))

    # 4.32 V is above the level but inside the hysteresis
    assert told == [True, 4.2, 4.32, False, 4.4]


def test_servo_on_the_logic_rail_and_weak_source_differ() -> None:
    """650 mA: a good source keeps the logic rail up, a source of 3 Ω does not; Ohm's law."""
    for ohms, kept in ((0.25, True), (3.0, False)):
        agenda, told = Agenda(), []
        node = rail(agenda, series_ohms=ohms)
        node.watch(4.3, lambda below, time, told=told: told.append(below))
        node.set_load("servo", 0.65, 0.0)
        agenda.run_to(0.01)

        assert (told == []) == kept
        assert node.volts(0.01) == pytest.approx(5.0 - 0.65 * (ohms + 0.02), abs=1e-3)


def test_unplugged_rail_runs_down_through_its_loads() -> None:
    """C·ΔV/I: 47.1 µF from 5 V to 2.7 V at 14 mA take 7.7 ms, and the detector says so by itself."""
    agenda, told = Agenda(), []
    node = rail(agenda, bulk_esr_ohms=0.0)
    node.set_load("processor", 14e-3, 0.0)
    node.watch(2.7, lambda below, time: told.append(time))
    agenda.run_to(1.0)
    node.switch(False, 1.0)
    agenda.run_to(2.0)

    assert told[0] - 1.0 == pytest.approx(47.1e-6 * 2.3 / 14e-3, rel=0.01)


def _crossings(loads: list[tuple[float, float]], weak: float, record: bool) -> list[tuple[bool, float]]:
    agenda, told = Agenda(), []
    main = rail(agenda, series_ohms=weak)
    node = rail(agenda, main, fed_from="main", regulator_volts=3.3, regulator_limit_ma=100.0, bulk_uf=2.0)
    node.watch(1.9, lambda below, time: told.append((below, round(time, 7))))
    main.watch(4.3, lambda below, time: told.append((below, round(time, 7))))
    if record:
        node.record()
        main.record()
    for n, (at, amps) in enumerate(sorted(loads)):
        agenda.at(at, lambda n=n, amps=amps: node.set_load(f"load {n % 2}", amps, agenda.now))
    agenda.run_to(0.02)
    return told


LOADS = st.lists(st.tuples(st.floats(1e-3, 5e-3), st.sampled_from([0.0, 0.01, 0.05, 0.09, 0.3])), max_size=12)


@settings(max_examples=40, deadline=None)
@given(LOADS, st.sampled_from([0.1, 0.5, 2.0, 6.0]))
def test_short_cut_misses_no_crossing(loads: list[tuple[float, float]], weak: float) -> None:
    """What is told with the one-comparison test is what is told when every switching is solved."""
    quick, exact = _crossings(loads, weak, False), _crossings(loads, weak, True)

    assert [below for below, _ in quick] == [below for below, _ in exact]
    assert [time for _, time in quick] == pytest.approx([time for _, time in exact], abs=5e-6)


def test_burst_is_switching_on_and_off() -> None:
    """The short form of a burst gives the same waveform."""
    agenda = Agenda()
    one, other = radio_rail(agenda, bulk_uf=10.0), radio_rail(agenda, bulk_uf=10.0)
    one.burst("radio", 0.0113, 2e-4, 1e-3)
    other.set_load("radio", 0.0113, 1e-3)
    other.set_load("radio", 0.0, 1.2e-3)

    for n in range(40):
        time = 0.99e-3 + n * 1e-5
        assert one.volts(time) == pytest.approx(other.volts(time), abs=1e-9)


def test_a_little_back_in_time_can_be_asked() -> None:
    """Two chips run in slices: the voltage of a moment ago is the one that was."""
    node = rail(Agenda(), series_ohms=1.0, inductance_uh=0.0, bulk_uf=1.0)
    node.set_load("load", 0.1, 1e-3)
    early = node.volts(1.0001e-3)
    node.set_load("load", 0.2, 1.1e-3)
    node.volts(1.2e-3)

    assert node.volts(1.0001e-3) == pytest.approx(early, abs=1e-9)


def test_long_unasked_rail_stays_small() -> None:
    """Switchings that nobody asks about are not kept for ever."""
    agenda = Agenda()
    node = radio_rail(agenda, regulator_limit_ma=800.0)
    for n in range(20_000):
        node.set_load("radio", 0.0113 if n % 2 == 0 else 0.0, n * 1e-4)

    assert len(node._pending) < 2000
    # a regulator cannot take back what it overshot, and this rail has no leak
    assert node.volts(2.1) == pytest.approx(3.3, abs=3e-3)


@pytest.mark.parametrize("recovery_us", [0.5, 50.0, 5000.0])
def test_output_never_exceeds_its_input(recovery_us: float) -> None:
    """A regulator that is slow to let go still cannot lift its output above what feeds it."""
    node = radio_rail(Agenda(), bulk_uf=0.0, regulator_recovery_us=recovery_us)
    node.set_load("lamp", 0.2, 1e-3)
    node.volts(20e-3)
    node.set_load("lamp", 0.0, 20e-3)
    highest = max(node.volts(20e-3 + n * 1e-6) for n in range(20_000))

    assert highest <= 5.01


@pytest.mark.parametrize("seed", range(15))
def test_any_rail_under_any_load_is_solved(seed: int) -> None:
    """Overloads, shorts, chokes, dead capacitors: few stretches, and volts between zero and an inductive kick."""
    chance, agenda = random.Random(seed), Agenda()
    main = Rail(
        "main",
        RailSpec(
            source_volts=chance.uniform(3.5, 5.5),
            series_ohms=chance.choice([0.0, 0.5, 3.0, 20.0]),
            inductance_uh=chance.choice([0.0, 0.5, 100.0]),
            regulator_limit_ma=chance.choice([0.0, 100.0, 500.0]),
            bulk_uf=chance.choice([0.0, 1.0, 47.0]),
            bulk_esr_ohms=chance.choice([0.0, 0.1, 2.0]),
            leak_ohms=chance.choice([1e4, math.inf, 10.0, 1.0]),
        ),
        agenda,
    )
    fed = Rail(
        "fed",
        RailSpec(
            fed_from="main",
            regulator_volts=chance.choice([3.3, 0.0]),
            regulator_limit_ma=chance.choice([0.0, 50.0, 100.0]),
            regulator_recovery_us=chance.choice([0.5, 20.0, 5000.0]),
            joint_ohms=chance.choice([0.0, 1.0, 90.0]),
            bulk_uf=chance.choice([0.0, 10.0]),
            leak_ohms=chance.choice([math.inf, 100.0, 2.0]),
        ),
        agenda,
        main,
    )
    for level in (4.3, 2.7, 1.0):
        main.watch(level, lambda below, time: None)
    fed.watch(1.9, lambda below, time: None)
    for n in range(60):
        amps, name, node = chance.choice([0.0, 0.05, 0.1, 0.5]), chance.choice("ab"), chance.choice([main, fed])
        agenda.at(n * 1e-3, lambda amps=amps, name=name, node=node: node.set_load(name, amps, agenda.now))
    agenda.at(0.07, lambda: main.switch(False, agenda.now))
    agenda.at(0.12, lambda: main.switch(True, agenda.now))
    seen = []
    for n in range(400):
        agenda.run_to(n * 5e-4)
        seen += [main.volts(agenda.now), fed.volts(agenda.now)]

    # 0.5 A through 100 µH into 2 Ω adds a volt; a choke and 0.1 µF ring at sqrt(L/C) = 32 Ω
    assert min(seen) >= 0.0
    assert max(seen) < 6.0 + 0.5 * 35.0
    assert agenda._count < 20_000


def test_minimum_since() -> None:
    """The lowest point of a solved stretch is remembered."""
    agenda = Agenda()
    node = rail(agenda, series_ohms=1.0)
    node.record()
    agenda.run_to(0.1)
    node.set_load("load", 0.5, 0.1)
    agenda.run_to(0.2)
    node.set_load("load", 0.0, 0.2)
    agenda.run_to(0.5)

    assert node.minimum_since(0.05) == pytest.approx(5.0 - 0.51, abs=0.02)
    assert node.minimum_since(0.4) == pytest.approx(5.0, abs=0.01)


def test_load_exactly_at_the_limit_is_no_chatter() -> None:
    """A regulator of 120 mA under 120 mA holds its voltage, and the model goes forward in time."""
    agenda = Agenda()
    node = radio_rail(agenda, regulator_limit_ma=120.0)
    node.watch(1.9, lambda below, time: None)
    for name, amps in (("a", 0.1), ("b", 0.02), ("c", 0.3), ("c", 0.0)):
        agenda.run_to(agenda.now + 1e-3)
        node.set_load(name, amps, agenda.now)
    agenda.run_to(1.0)

    assert node.volts(1.0) >= 0.0
    assert agenda._count < 100


def test_a_rail_left_alone_does_not_relive_what_its_parent_went_through(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a minute of a restless feeding rail is forgotten by and by; the fed one goes on from what is still known."""
    agenda = Agenda()
    main = rail(agenda, series_ohms=1.0, bulk_uf=470.0)
    node = rail(agenda, main, fed_from="main", series_ohms=0.5)
    for number in range(600):
        agenda.run_to(0.05 * (number + 1))
        main.set_load("motor", 0.05 * (number % 2), agenda.now)
        main.volts(agenda.now)
    begun = []
    monkeypatch.setattr(node, "_begin", lambda time, begin=node._begin: (begun.append(time), begin(time)))

    agenda.run_to(30.02)

    assert node.volts(30.02) == pytest.approx(main.volts(30.02), abs=0.01)
    assert len(begun) < 20_000


@pytest.mark.parametrize(("bulk", "esr", "ceramic", "few"), [(4e-6, 75.0, 2.7e-6, 0.02), (8e-6, 30.0, 1.1e-6, 0.005), (100e-6, 0.2, 10e-6, 0.01)])
def test_a_dried_electrolytic_beside_ceramic_sinks_as_both_do(bulk: float, esr: float, ceramic: float, few: float) -> None:
    """Each with its own resistance, integrated in steps of 20 ns over a burst of 15 mA."""
    volts = [0.0, 0.0]
    conductance = 1 / esr + 1 / few
    steps, amps = 23000, 15e-3
    dt = BURST_S / steps
    node = 0.0
    for _ in range(steps):
        node = (volts[0] / esr + volts[1] / few - amps) / conductance
        volts = [volts[0] + dt * (node - volts[0]) / (esr * bulk), volts[1] + dt * (node - volts[1]) / (few * ceramic)]
    farads, ohms = side_by_side(bulk, esr, ceramic, few)

    assert amps * (BURST_S / farads + ohms) == pytest.approx(-node, rel=0.01)
