"""What a person reads from a meter and types in."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.stages.contract import Context
from benchctl.terms import Role

_EXAMPLE = {"ohm": "4700 or 4.7k", "V": "4.98", "mA": "0.5"}


def metered(ctx: Context, role: Role, text: str, point: str, unit: str) -> float | None:
    """The number that is typed in, None after three answers that are none. point: what is measured, for a model."""
    for _ in range(3):
        answer = ctx.ask(ev.PromptKind.NUMBER, text, "meter", role=role, detail=point, unit=unit, timeout_s=600.0)
        value = parse_number(answer)
        if value is not None:
            return value
        ctx.note(f"{answer!r} is no number; expected {unit}, like {_EXAMPLE[unit]}", "warning")
    return None


def parse_number(text: str) -> float | None:
    """A typed meter value: "4700", "4,7k", "2.2M", "OL" (overload: open) as 1e9; None for anything else."""
    word = text.strip().replace(",", ".").replace(" ", "")
    if word.upper() in ("OL", "INF", "OPEN"):
        return float("1e9")
    factor = {"k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3}.get(word[-1:], 1.0)
    try:
        value = float(word[:-1] if factor != 1.0 else word) * factor
    except ValueError:
        return None
    return value if value == value and abs(value) != float("inf") else None
