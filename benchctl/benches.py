"""A bench by short name or file, opened: the only importer of all three kinds."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl import benchfile, preferences
from benchctl.bench import Bench
from benchctl.errors import UsageError
from benchctl.relayed_bench import over_air
from benchctl.terms import Role

#: short names: the healthy Mudlark pair on either simulated bench, and whatever boards are plugged in
SHORT = ("sim", "avr", "ports")


def open_bench(
    name: str,
    *,
    kind: str | None = None,
    seed: int | None = None,
    labels: Mapping[Role, str] | None = None,
    images: Mapping[Role, str] | None = None,
    pair: str = "",
    unspoken: bool = False,
    unplugged: bool = False,
) -> Bench:
    """Open the bench that `name` stands for: a short name, a shipped bench, or a bench file.

    kind, seed, labels: in place of the file's. images: firmware for the avr bench in place of the probe's. pair: name
    or file of what is soldered, in place of the bench file's. unspoken: as if nobody had said or stored anything yet;
    real boards are then known by a pair only where one is given. unplugged: no real board is plugged in yet; each is
    looked for when it is first needed.
    Raises UsageError naming the file, key and what was expected.
    """
    if name == "ports" and not pair and not unspoken:
        pair = preferences.load().pair
    if name == "ports" and not pair:
        from benchctl.ports.bench import open_later, open_ports

        return open_later(None, labels or {}) if unplugged else open_ports(None, labels or {})
    spec = benchfile.load(name, pair).with_changes(kind=kind, seed=seed, labels=labels)
    if unspoken and spec.kind != "ports":
        spec = spec.unspoken()
    if images and spec.kind != "avr":
        raise UsageError(f"bench {name}: --image needs a bench of kind avr, this one is {spec.kind}")
    if spec.kind == "sim":
        from benchctl.sim.bench import SimBench

        return over_air(SimBench(spec), spec)
    if spec.kind == "avr":
        from benchctl.avr.bench import AvrBench

        return over_air(AvrBench(spec, images=images or {}), spec)
    from benchctl.ports.bench import open_later, open_ports

    return over_air(open_later(spec, labels or {}) if unplugged else open_ports(spec, labels or {}), spec)
