"""Procedure TOML to a checked `Procedure`. Everything in the file is checked against the stages' declarations.

name = "radio-link"            # as shown and recorded
title = "Radio link"
note = "What it is for."
modules = ["fan.py"]           # optional: modules beside this file with stage kinds of one's own
[[stage]]
name = "link"                  # unique; defaults to the kind
kind = "radio_link"
after = ["identity"]           # stages of this procedure that must have passed; added to what the kind needs
optional = false               # true: where its needs are not met, the run can still pass
regardless = false             # true: also after a stage that its kind needs has failed; never where it spins something
[stage.parameters]
count = 2000
[stage.limits]
loss = {max = 1.0}             # by reading, or "hand.vcc" for one board; {} takes the limit away
[stage.margins]
loss = {margin = 0.5}          # for comparisons, in the reading's unit, or {margin = 10, of = "%"}
"""

from __future__ import annotations

import difflib
import hashlib
import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from benchctl.errors import UsageError
from benchctl.events import StagePlan
from benchctl.procedure import own_stages
from benchctl.stages.contract import Parameter, Stage, Value
from benchctl.stages.kinds import KINDS
from benchctl.terms import Limit, Role, split_subject


@dataclass(frozen=True, slots=True)
class Margin:
    """How much worse still counts as the same: in the reading's unit, or relative in % of the reference."""

    margin: float
    relative: bool


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of a procedure, with every parameter and limit resolved."""

    name: str
    stage: Stage
    after: tuple[str, ...]
    optional: bool
    parameters: Mapping[str, Value]
    limits: Mapping[str, Limit | None]
    margins: Mapping[str, Margin] = field(default_factory=dict)
    #: the stage is none of the shipped ones
    own: bool = False
    own_title: str = ""

    @property
    def title(self) -> str:
        """What people call it: the kind's title, with the step's name where the procedure has that kind twice."""
        return self.own_title or self.stage.title

    def margins_told(self) -> dict[str, dict[str, float | bool | str]]:
        """The margins as they go into the run's record, with which way is better."""
        better = {m.name: m.better for m in self.stage.measures}
        return {
            name: {
                "margin": m.margin,
                "relative": m.relative,
                "better": better.get(name) or better.get(split_subject(name)[1], "same"),
            }
            for name, m in self.margins.items()
        }


@dataclass(frozen=True, slots=True)
class Procedure:
    name: str
    title: str
    note: str
    steps: tuple[Step, ...]
    sha256: str
    path: str = ""

    def plan(self) -> tuple[StagePlan, ...]:
        return tuple(
            StagePlan(s.name, s.stage.kind, s.title, s.after, s.margins_told(), s.stage.about()) for s in self.steps
        )

    def roles(self) -> tuple[Role, ...]:
        """The boards that some stage needs, in the order hand, craft, gauge."""
        wanted = {r for s in self.steps for r in s.stage.needs.roles}
        return tuple(r for r in Role if r in wanted)

    @property
    def finds(self) -> bool:
        """Whether it looks for the wiring, and so takes none for known."""
        return any(step.stage.finds for step in self.steps)

    @property
    def unplugged(self) -> bool:
        """Whether it begins before its boards are plugged in: it tells when."""
        return self.finds or any(step.stage.before_power for step in self.steps)

    def only(self, names: Iterable[str]) -> Procedure:
        """The procedure cut down to the named stages and what they need. Raises UsageError for an unknown name."""
        known = {s.name: s for s in self.steps}
        keep: set[str] = set()
        queue = list(names)
        for name in queue:
            if name not in known:
                raise UsageError(f"procedure {self.name} has no stage {name!r}; it has {', '.join(known)}")
            if name not in keep:
                keep.add(name)
                queue += known[name].after
        return replace(self, steps=tuple(s for s in self.steps if s.name in keep))


def single_step(kind: str) -> Step:
    """A stage by itself, with its defaults and needing nothing: for what is done besides a procedure."""
    stage = KINDS[kind]
    return Step(stage.kind, stage, (), True, stage.defaults(), stage.default_limits())


def of_stages(name: str, tables: Sequence[Mapping[str, Any]], own: Iterable[Stage] = ()) -> Procedure:
    """A procedure from [[stage]] tables that are in no file; own: kinds besides the shipped ones. Raises UsageError."""
    top = {"name": name, "stage": list(tables)}
    reader = _Reader(f"stage {name}")
    reader.own.update({s.kind: own_stages.checked(s, reader.where) for s in own})
    return reader.procedure(top, hashlib.sha256(json.dumps(top, sort_keys=True).encode()).hexdigest(), "")


def load(path: Path) -> Procedure:
    """Read and check a procedure file. Raises UsageError naming the file, the place and what was expected."""
    try:
        raw = path.read_bytes()
    except OSError as e:
        raise UsageError(f"procedure {path}: cannot be read ({e.strerror or e})") from e
    return parse(raw, str(path))


def parse(raw: bytes, path: str) -> Procedure:
    """A procedure from the bytes of its file; `path` is for messages."""
    reader = _Reader(f"procedure {path}")
    try:
        top = tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError as e:
        raise UsageError(f"procedure {path}: not UTF-8 text (byte {e.start})") from e
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise UsageError(f"procedure {path}: not TOML: {e}") from e
    return reader.procedure(top, hashlib.sha256(raw).hexdigest(), path)


class _Reader:
    """Turns parsed TOML into a Procedure; `where` begins every message."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.own: dict[str, Stage] = {}

    def error(self, place: str, expected: str) -> UsageError:
        return UsageError(f"{self.where}, {place}: {expected}")

    def procedure(self, top: Mapping[str, Any], sha256: str, path: str) -> Procedure:
        self.known(top, ("name", "title", "note", "modules", "stage"), "top level")
        name = self.text(top, "name", "top level")
        sha256 = self.own_modules(top.get("modules", []), sha256, path)
        stages = top.get("stage")
        if not isinstance(stages, list) or not stages or not all(isinstance(s, dict) for s in stages):
            raise self.error("stage", "expected at least one [[stage]] table")
        steps: list[Step] = []
        for number, table in enumerate(stages, 1):
            steps.append(self.step(table, f"stage {number}", steps))
        kinds = [s.stage.kind for s in steps]
        steps = [
            replace(s, own_title=f"{s.stage.title}, {s.name}") if kinds.count(s.stage.kind) > 1 else s for s in steps
        ]
        title = self.text(top, "title", "top level", name)
        return Procedure(name, title, self.text(top, "note", "top level", ""), tuple(steps), sha256, path)

    def own_modules(self, listed: Any, sha256: str, path: str) -> str:
        """Take in the stages of modules beside the file; the procedure's sum with theirs."""
        if not isinstance(listed, list) or not all(isinstance(n, str) and Path(n).name == n != "" for n in listed):
            raise self.error("modules", f"expected a list of files beside the procedure, as in fan.py, got {listed!r}")
        for name in listed:
            module = Path(path).parent / name
            found, digest = own_stages.from_module(module, f"{self.where}, modules")
            for stage in found:
                if stage.kind in self.own:
                    raise self.error("modules", f"{name}: another module has a stage of kind {stage.kind!r} already")
                self.own[stage.kind] = stage
            sha256 = hashlib.sha256(f"{sha256} {digest}".encode()).hexdigest()
        return sha256

    def stage(self, kind: str, place: str) -> tuple[Stage, bool]:
        """The stage of a kind, and whether it is none of the shipped ones."""
        if kind in KINDS:
            return KINDS[kind], False
        found = self.own.get(kind) or own_stages.installed(kind, f"{self.where}, {place}.kind")
        if found is None:
            raise self.error(f"{place}.kind", f"unknown stage kind {kind!r}{_nearest(kind, (*self.own, *KINDS))}")
        return found, True

    def step(self, table: Mapping[str, Any], place: str, before: list[Step]) -> Step:
        self.known(table, ("name", "kind", "after", "optional", "regardless", "parameters", "limits", "margins"), place)
        kind = self.text(table, "kind", place)
        stage, own = self.stage(kind, place)
        name = self.text(table, "name", place, kind)
        names = [s.name for s in before]
        if name in names:
            raise self.error(f"{place}.name", f"{name!r} is taken by an earlier stage; give each its own name")
        optional = table.get("optional", False)
        if not isinstance(optional, bool):
            raise self.error(f"{place}.optional", f"expected true or false, got {optional!r}")
        return Step(
            name,
            stage,
            self.after(table, place, stage, before),
            optional,
            self.parameters(table.get("parameters", {}), f"{place}.parameters", stage),
            self.limits(table.get("limits", {}), f"{place}.limits", stage),
            self.margins(table.get("margins", {}), f"{place}.margins", stage),
            own,
        )

    def after(self, table: Mapping[str, Any], place: str, stage: Stage, before: list[Step]) -> tuple[str, ...]:
        names = [s.name for s in before]
        listed = table.get("after", [])
        if not isinstance(listed, list) or not all(isinstance(n, str) for n in listed):
            raise self.error(f"{place}.after", f"expected a list of stage names, got {listed!r}")
        for name in listed:
            if name not in names:
                raise self.error(f"{place}.after", f"{name!r} is no earlier stage{_nearest(name, names)}")
        regardless = table.get("regardless", False)
        if not isinstance(regardless, bool):
            raise self.error(f"{place}.regardless", f"expected true or false, got {regardless!r}")
        if regardless and stage.spins:
            raise self.error(f"{place}.regardless", f"{stage.kind} can spin something: it runs after its needs only")
        kinds = set(stage.needs.required) | (set() if regardless else set(stage.needs.passed))
        missing = set(stage.needs.required) - {s.stage.kind for s in before}
        if missing:
            raise self.error(f"{place}.kind", f"{stage.kind} needs an earlier stage of kind {sorted(missing)[0]}")
        implied = [s.name for s in before if s.stage.kind in kinds]
        return tuple(dict.fromkeys(implied + listed))

    def parameters(self, table: Any, place: str, stage: Stage) -> dict[str, Value]:
        self.table(table, place)
        declared = {p.name: p for p in stage.parameters}
        self.known(table, declared, place)
        values = stage.defaults()
        for name, value in table.items():
            values[name] = self.parameter(declared[name], value, f"{place}.{name}")
        return values

    def parameter(self, p: Parameter, value: Any, place: str) -> Value:
        wanted = type(p.default)
        if wanted is float and type(value) is int:
            value = float(value)
        if type(value) is not wanted:
            word = {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}[wanted]
            raise self.error(place, f"expected {word}{f' of {p.unit}' if p.unit else ''}, got {value!r}")
        if p.choices and value not in p.choices:
            raise self.error(place, f"expected one of {', '.join(p.choices)}, got {value!r}")
        low, high = p.low, p.high
        if isinstance(value, int | float) and not isinstance(value, bool):
            inside = (low is None or value >= low) and (high is None or value <= high)
            if not inside or value != value:
                raise self.error(place, f"expected {Limit(low, high).text(p.unit if p.unit else '')}, got {value!r}")
        checked: Value = value
        return checked

    def limits(self, table: Any, place: str, stage: Stage) -> dict[str, Limit | None]:
        self.table(table, place)
        limits: dict[str, Limit | None] = stage.default_limits()
        for name, entry in table.items():
            spot = f"{place}.{name}"
            self.reading(name, spot, stage)
            self.known(self.table(entry, spot), ("min", "max"), spot)
            low, high = (self.bound(entry, side, spot) for side in ("min", "max"))
            if low is not None and high is not None and low > high:
                raise self.error(spot, f"min {low:g} is above max {high:g}")
            limits[name] = Limit(low, high) if entry else None
        return limits

    def margins(self, table: Any, place: str, stage: Stage) -> dict[str, Margin]:
        self.table(table, place)
        margins = {m.name: Margin(m.margin, m.margin_of == "%") for m in stage.measures}
        for name, entry in table.items():
            spot = f"{place}.{name}"
            self.reading(name, spot, stage)
            self.known(self.table(entry, spot), ("margin", "of"), spot)
            margin = self.bound(entry, "margin", spot)
            if margin is None or margin <= 0 or entry.get("of", "") not in ("", "%"):
                raise self.error(spot, 'expected {margin = a positive number} or {margin = ..., of = "%"}')
            margins[name] = Margin(margin, entry.get("of") == "%")
        return margins

    def reading(self, name: str, place: str, stage: Stage) -> None:
        if stage.measure(name) is None:
            known = [m.name for m in stage.measures]
            raise self.error(place, f"{stage.kind} takes no reading {name!r}{_nearest(name, known)}")

    def bound(self, entry: Mapping[str, Any], side: str, place: str) -> float | None:
        value = entry.get(side)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise self.error(f"{place}.{side}", f"expected a number, got {value!r}")
        return float(value)

    def table(self, value: Any, place: str) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise self.error(place, f"expected a table, got {value!r}")
        return value

    def text(self, table: Mapping[str, Any], key: str, place: str, default: str | None = None) -> str:
        value = table.get(key, default)
        if value is None:
            raise self.error(place, f'has no {key}; expected {key} = "…"')
        if not isinstance(value, str) or (value == "" and default is None):
            raise self.error(f"{place}.{key}", f"expected a text, got {value!r}")
        return value

    def known(self, table: Mapping[str, Any], keys: Iterable[str], place: str) -> None:
        keys = list(keys)
        for key in table:
            if key not in keys:
                raise self.error(place, f"unknown key {key!r}{_nearest(key, keys)}")


def _nearest(word: str, known: Iterable[str]) -> str:
    """A hint behind "unknown …": the nearest known word, or all of them."""
    known = list(known)
    near = difflib.get_close_matches(word, known, 1)
    if near:
        return f"; did you mean {near[0]!r}?"
    return f"; expected one of {', '.join(known)}" if known else "; none is expected here"
