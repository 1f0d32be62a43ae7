"""Stage kinds of one's own: from a module beside the procedure, or installed under the entry-point group `GROUP`.

Such a stage is declared as the shipped ones are. It never arms by itself: what it may ask of a board is in
`safety/gate.py`, and one that spins something has to need all that the shipped throttle ramp needs.
"""

from __future__ import annotations

import hashlib
import importlib.util
import sys
import traceback
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

from benchctl.errors import UsageError
from benchctl.stages import throttle_ramp
from benchctl.stages.contract import Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.kinds import KINDS
from benchctl.terms import Role
from benchctl.units import UNITS

#: an installed package names here: kind = "module:STAGE"
GROUP = "benchctl.stages"
_LISTED = ", ".join(repr(unit) for unit in sorted(UNITS))
#: what every stage that spins something has to need
RAMP = throttle_ramp.STAGE.needs


def from_module(path: Path, where: str) -> tuple[list[Stage], str]:
    """The stages of a module, in its names STAGE or STAGES, and the SHA-256 of its text.

    The module is run for it. Raises UsageError naming the module, the line and what was expected.
    """
    place = f"{where}, {path.name}"
    try:
        text = path.read_bytes()
    except OSError as e:
        raise UsageError(f"{place}: cannot be read ({e.strerror or e})") from e
    digest = hashlib.sha256(text).hexdigest()
    module = _run(path, f"benchctl_own_{path.stem}_{digest[:12]}", place)
    listed: Any = getattr(module, "STAGES", None) or getattr(module, "STAGE", None)
    stages = [listed] if isinstance(listed, Stage) else listed
    if not isinstance(stages, list | tuple) or not stages:
        raise UsageError(f"{place}: expected a name STAGE that is a benchctl.Stage, or STAGES, several of them")
    return [checked(s, place) for s in stages], digest


def _run(path: Path, name: str, place: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise UsageError(f"{place}: expected a Python module, a file that ends in .py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    try:
        spec.loader.exec_module(module)
    except Exception as e:
        del sys.modules[name]
        raise UsageError(f"{place}{line_in(e, path)}: {type(e).__name__}: {e}") from e
    return module


def line_in(error: BaseException, path: Path | str) -> str:
    """ ", line 12": where in a file an exception came up; "" where it did not pass there."""
    if isinstance(error, SyntaxError) and error.filename == str(path):
        return f", line {error.lineno}"
    frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename == str(path)]
    return f", line {frames[-1].lineno}" if frames else ""


def installed(kind: str, where: str) -> Stage | None:
    """The stage that an installed package has under that kind, None where none has. Raises UsageError."""
    for point in entry_points(group=GROUP, name=kind):
        place = f"{where}, {point.value}"
        try:
            stage = point.load()
        except Exception as e:
            raise UsageError(f"{place}: {type(e).__name__}: {e}") from e
        found = checked(stage, place)
        if found.kind != kind:
            raise UsageError(f"{place}: expected a stage of kind {kind!r}, as it is installed, got {found.kind!r}")
        return found
    return None


def checked(stage: Any, place: str) -> Stage:
    """The stage, if it is declared as it has to be. Raises UsageError naming the field and what was expected."""
    if not isinstance(stage, Stage):
        raise UsageError(f"{place}: expected a benchctl.Stage, got {type(stage).__name__}")
    place = f"{place}, stage {stage.kind!r}"
    if not isinstance(stage.kind, str) or not stage.kind.replace("_", "").isalnum():
        raise UsageError(f"{place}: kind: expected letters, digits and _")
    if stage.kind in KINDS:
        raise UsageError(f"{place}: kind: this is the name of a shipped stage; expected another")
    for name in ("title", "instruction"):
        if not isinstance(getattr(stage, name), str) or not getattr(stage, name):
            raise UsageError(f"{place}: {name}: expected a text")
    if not callable(stage.perform):
        raise UsageError(f"{place}: perform: expected a function that takes the stage's context")
    if stage.finds or stage.before_power:
        raise UsageError(f"{place}: finds, before_power: these are for shipped stages; expected False")
    _check_lists(stage, place)
    _check_needs(stage, place)
    return stage


def _check_lists(stage: Stage, place: str) -> None:
    for name, kind, listed in (
        ("parameters", Parameter, stage.parameters),
        ("measures", ReadingSpec, stage.measures),
    ):
        if not isinstance(listed, tuple) or not all(isinstance(one, kind) for one in listed):
            raise UsageError(f"{place}: {name}: expected a tuple of {kind.__name__}")
        names = [one.name for one in listed]
        for one in listed:
            if names.count(one.name) > 1:
                raise UsageError(f"{place}: {name}: {one.name!r} is there twice")
            if one.unit not in UNITS:
                raise UsageError(f"{place}: {name}, {one.name}: unit: expected one of {_LISTED}, got {one.unit!r}")
    if not stage.measures:
        raise UsageError(f"{place}: measures: expected at least one ReadingSpec")


def _check_needs(stage: Stage, place: str) -> None:
    needs = stage.needs
    if not isinstance(needs, Needs) or not all(role in set(Role) for role in needs.roles):
        raise UsageError(f"{place}: needs: expected Needs, its roles some of {', '.join(Role)}")
    for kind in (*needs.passed, *needs.required):
        if kind not in KINDS:
            raise UsageError(f"{place}: needs: {kind!r} is no shipped stage")
    if not stage.spins:
        return
    lacking = [kind for kind in RAMP.required if kind not in needs.required]
    lacking += [str(role) for role in RAMP.roles if role not in needs.roles]
    lacking += [what for role, what in RAMP.wired if (role, what) not in needs.wired]
    if lacking or not needs.operator:
        raise UsageError(
            f"{place}: it spins something, so its needs have to hold all those of {throttle_ramp.STAGE.kind}: "
            f"missing {', '.join(lacking) or 'operator'}; begin with benchctl.TO_SPIN"
        )
    if not any(p.name == "cap" and type(p.default) is float and 0 < p.default <= p.high <= 30 for p in stage.parameters
               if p.high is not None):  # fmt: skip
        raise UsageError(f"{place}: it spins something: expected a parameter cap, in %, with high at most 30.0")
