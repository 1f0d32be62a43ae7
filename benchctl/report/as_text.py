"""The report as plain text for a terminal of 80 columns: verdict first, then what failed, then everything."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterator

from benchctl.report import words
from benchctl.report.words import clean
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Reading, Verdict

WIDTH = 80


def render(s: Summary) -> str:
    """The whole report; no line is wider than 80 columns."""
    parts = [_head(s), _summary(s), _findings(s), _boards(s), _stages(s), _attestations(s), _untested(s), _repeat(s)]
    return "\n\n".join("\n".join(p) for p in (list(part) for part in parts) if p) + "\n"


def width(text: str) -> int:
    """Columns that a terminal needs for `text`: wide characters take two, combining ones none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def fit(text: str, columns: int) -> str:
    """Padded, or cut with an ellipsis, to exactly `columns`."""
    text = clean(text)
    if width(text) > columns:
        while width(text) > columns - 1:
            text = text[:-1]
        text += "…"
    return text + " " * (columns - width(text))


def _wrapped(text: str, indent: str, first: str | None = None) -> list[str]:
    text = re.sub(r"[ \t\r\n]+", " ", clean(text)).strip()
    lines = textwrap.wrap(text, WIDTH, initial_indent=indent if first is None else first, subsequent_indent=indent)
    return [piece for line in lines for piece in _narrow(line)]


def _narrow(line: str) -> Iterator[str]:
    """Split a line that wide characters make too wide; textwrap counts characters only."""
    while width(line) > WIDTH:
        cut = len(line)
        while width(line[:cut]) > WIDTH:
            cut -= 1
        yield line[:cut]
        line = line[cut:]
    yield line


def _head(s: Summary) -> Iterator[str]:
    verdict = s.outcome or Verdict.UNDECIDED
    yield fit(f"{verdict.sign} {str(verdict).upper()}  {s.procedure or 'a run without a beginning'}", WIDTH).rstrip()
    yield from _wrapped(f"run {s.run}, {words.when(s)}, {words.duration(s.seconds)}, bench {s.bench}", "  ")
    if s.simulated:
        yield from _wrapped(words.NOTHING_REAL, "  ")
    for sentence in words.interruptions(s):
        yield from _wrapped(sentence, "  ", "! ")
    for note in words.noted(s.notes):
        yield from _wrapped(note, "    ", "  - ")


def _summary(s: Summary) -> Iterator[str]:
    for sentence in words.overview(s):
        yield from _wrapped(sentence, "")


def _boards(s: Summary) -> Iterator[str]:
    if s.boards:
        yield "BOARDS"
    for b in s.boards.values():
        yield f"  {fit(b.role, 7)}{fit(b.label or '(not seen)', 26)}{fit(words.image(b), 45)}".rstrip()
        trouble = words.board_trouble(b)
        if trouble:
            yield from _wrapped(trouble, "         ")


def _stages(s: Summary) -> Iterator[str]:
    if s.stages:
        yield f"{'STAGES':38}{'value':>12}  {'95 % interval':17} limit"
    for stage in s.stages.values():
        yield from _stage(stage, s)


def _stage(stage: StageSummary, s: Summary) -> Iterator[str]:
    verdict = words.stage_verdict(stage)
    took = words.duration(stage.seconds) if stage.verdict not in (None, Verdict.NOT_RUN) else ""
    title = stage.title or stage.name
    yield f"{verdict.sign} {fit(title, 50)}{fit(str(verdict), 12)}{took:>16}".rstrip()
    reason = words.stage_reason(stage, s)
    if reason:
        yield from _wrapped(reason, "    ")
    for r in stage.readings.values():
        yield from _reading(r)
    for note in words.notes(stage):
        yield from _wrapped(note, "      ", "    - ")


def _reading(r: Reading) -> Iterator[str]:
    sign, name = r.verdict.sign if r.verdict else " ", clean(r.called)
    value, between, limit = words.value(r), words.interval(r), words.limit(r)
    row = f"  {sign} {fit(name, 34)}{value:>12}  {between:17} {limit}".rstrip()
    if width(name) < 34 and width(row) <= WIDTH:
        yield row
    else:  # too long for columns: one under the other
        yield f"  {sign} {fit(name, 76)}".rstrip()
        told = [r.text(), f"limit {limit}" if limit else ""]
        yield from _wrapped(", ".join(t for t in told if t), "      ")
    remark = words.remark(r)
    if remark:
        yield from _wrapped(remark, "      ")


def _findings(s: Summary) -> Iterator[str]:
    if s.findings:
        yield "LIKELY CAUSES"
        yield from _wrapped(words.several(s), "   ") if words.several(s) else ()
    for f in s.findings:
        where = f" ({s.label(f.board)})" if f.board else ""
        yield from _wrapped(f"{f.title}{where}", "   ", f"{f.rank}. ")
        yield from _wrapped(f"Do: {f.remedy}", "       ", "   ")
        yield from _wrapped(words.confidence(f.confidence), "   ", "   ")
        for text in f.evidence:
            yield from _wrapped(text, "     ", "   + ")
        for text in f.against:
            yield from _wrapped(text, "     ", "   - ")
        if f.explanation:
            yield from _wrapped(f.explanation, "   ", "   ")
        if f.next_test:
            yield from _wrapped(f"Then: {f.next_test}", "         ", "   ")


def _attestations(s: Summary) -> Iterator[str]:
    if s.attestations:
        yield "STATED BY THE OPERATOR"
    for told in words.stated(s):
        yield from _wrapped(told.text, "    ", "  ✓ " if told.accepted else "  ✗ ")
        yield from _wrapped(told.proofs, "      ")
    for sentence, _ in words.live_stages(s):
        yield from _wrapped(sentence, "    ", "  ▲ ")


def _untested(s: Summary) -> Iterator[str]:
    untested = words.untested(s)
    if untested:
        yield "NOT TESTED"
    for titles, reason in untested:
        yield from _wrapped(f"{titles}: {reason}", "    ", "  ")


def _repeat(s: Summary) -> Iterator[str]:
    yield "TO REPEAT IT"
    for name, value in words.origin(s):
        shown_name = "  sha256" if name.endswith("sha256") else name
        yield f"  {fit(shown_name, 14)}{fit(value, 64)}".rstrip()
