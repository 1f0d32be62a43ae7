"""The motor stages of the shipped bring-up, on their own: nothing before them, so that one fault is looked at alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from helpers_bench import mudlark
from helpers_outputs import confirmed

from benchctl import benches, shipped
from benchctl.bench import Operator
from benchctl.events import Event
from benchctl.operate import Operation
from benchctl.procedure.file import Procedure, load

MOTOR = ("esc_arming", "throttle_ramp", "link_loss_cut")
#: few repeats: what is measured is the same
SHORT: dict[str, dict[str, Any]] = {
    "esc_arming": {"hold_seconds": 0.5},
    "throttle_ramp": {"hold_seconds": 0.7, "step": 10.0},
    "link_loss_cut": {"repeats": 3, "resets": 1, "unplugs": 1},
}


def motor_procedure(names: Iterable[str] = MOTOR, **more: dict[str, Any]) -> Procedure:
    """The named stages in order, each needing those of them that came before; parameters as SHORT and `more` say."""
    whole, steps = load(shipped.procedure("bring-up")), []
    for step in whole.steps:
        if step.name in names:
            parameters = {**step.parameters, **SHORT[step.name], **more.get(step.name, {})}
            after = tuple(n for n in step.after if n in names)
            steps.append(replace(step, after=after, parameters=parameters))
    return replace(whole, steps=tuple(steps))


def operation(
    folder: Path,
    *,
    kind: str = "sim",
    text: str = "[board.hand]\n[board.craft]\n",
    procedure: Procedure | None = None,
    operator: Operator | None = None,
    readers: Iterable[Callable[[Event], None]] = (),
    seed: int = 3,
) -> Operation:
    """A run on a bench of this text; its bench is closed by the caller."""
    folder.mkdir(exist_ok=True)
    file = folder / "bench.toml"
    file.write_text(confirmed(mudlark(text, "motor")))
    bench = benches.open_bench(str(file), kind=kind, seed=seed)
    return Operation(procedure or motor_procedure(), bench, folder / "runs", operator=operator, readers=readers, reports=False)
