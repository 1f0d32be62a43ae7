"""A label for a board: its name, its state, and a code that leads back to the run. As text and as SVG."""

from __future__ import annotations

import io

import segno

from benchctl.errors import UsageError
from benchctl.report import as_text, words
from benchctl.report.key_figures import key_figures
from benchctl.report.markup import Markup, el, joined
from benchctl.runs.summary import BoardSummary, Summary
from benchctl.terms import Verdict

#: size of the SVG in millimetres: a usual small address label's height
_WIDE, _HIGH, _EDGE = 54.0, 25.0, 2.0


def payload(s: Summary, board: BoardSummary) -> str:
    """What the code holds: label, state and run, separated by line ends."""
    return "\n".join([board.label, state(s), s.run])


def state(s: Summary) -> str:
    """The run's verdict as it goes on a label; a rehearsal never looks like a test of the board."""
    verdict = s.outcome or Verdict.UNDECIDED
    return f"{verdict} (rehearsal)" if s.simulated else str(verdict)


def chosen(s: Summary, label: str) -> BoardSummary:
    """The board of that label or role. Raises UsageError naming those that the run has."""
    seen = [b for b in s.boards.values() if b.seen]
    for b in seen:
        if label in (b.label, str(b.role)):
            return b
    known = ", ".join(b.label for b in seen) or "none"
    raise UsageError(f"the run has no board {label!r}; it has {known}")


def as_lines(s: Summary, board: BoardSummary) -> str:
    """The label for a text printer or a screen: a code of half blocks, the words below it."""
    buffer = io.StringIO()
    segno.make(payload(s, board), error="m", micro=False).terminal(buffer, border=2, compact=True)
    sign = (s.outcome or Verdict.UNDECIDED).sign
    figures = [f"{f.brief}" for f in key_figures(s) if f.reading is not None]
    told = [board.label, f"{sign} {state(s)}", f"{s.procedure}, {s.wall[:10]}", *figures, s.run]
    return buffer.getvalue() + "\n".join(as_text.fit(t, 48).rstrip() for t in told) + "\n"


def as_svg(s: Summary, board: BoardSummary) -> str:
    """The label as a self-contained SVG of 54 x 25 mm, black on white."""
    verdict = s.outcome or Verdict.UNDECIDED
    left = _HIGH
    lines = (
        (f"{verdict.sign} {state(s)}", 3.4, "bold", 11.5),
        (s.procedure, 2.5, "normal", 15.5),
        (words.moment(s.wall).split(",")[0], 2.3, "normal", 18.4),
        *((told, 1.7, "normal", y) for told, y in zip(_figures(s), (20.6, 22.4), strict=False)),
        (s.run, 1.5, "normal", 24.2),
    )
    texts = [
        _text(left, 6.5, 4.0, "bold", board.label),
        *(_text(left, y, size, weight, t) for t, size, weight, y in lines),
    ]
    about = {"viewBox": f"0 0 {_WIDE:g} {_HIGH:g}", "width": f"{_WIDE:g}mm", "height": f"{_HIGH:g}mm"}
    frame = {"x": 0.2, "y": 0.2, "width": _WIDE - 0.4, "height": _HIGH - 0.4, "rx": 1.5}
    border = el("rect", **frame, fill="#fff", stroke="#000", stroke_width=0.2)
    return el("svg", border, _code(s, board), *texts, xmlns="http://www.w3.org/2000/svg", **about) + "\n"


def _figures(s: Summary) -> list[str]:
    """The key figures that were measured, two a line."""
    told = [f.brief for f in key_figures(s) if f.reading is not None]
    return [", ".join(told[i : i + 2]) for i in range(0, len(told), 2)]


def _text(x: float, y: float, size: float, weight: str, content: str) -> Markup:
    """One line, squeezed into what is left of the label where it is too long."""
    room = _WIDE - x - _EDGE
    long = as_text.width(content) * size * 0.58 > room
    fit = {"textLength": f"{room:.1f}", "lengthAdjust": "spacingAndGlyphs"} if long else {}
    return el(
        "text", content, x=f"{x:.1f}", y=f"{y:.1f}", font_size=size, font_weight=weight,
        font_family="Arial, Liberation Sans, sans-serif", fill="#000", **fit,
    )  # fmt: skip


def _code(s: Summary, board: BoardSummary) -> Markup:
    """The code with the empty margin of four modules that readers need (ISO/IEC 18004, from memory)."""
    rows = [list(row) for row in segno.make(payload(s, board), error="m", micro=False).matrix]
    scale = _HIGH / (len(rows) + 8)
    dark = "".join(f"M{x + 4} {y + 4}h1v1h-1z" for y, row in enumerate(rows) for x, on in enumerate(row) if on)
    return joined(el("path", d=dark, transform=f"scale({scale:.4f})", fill="#000", shape_rendering="crispEdges"))
