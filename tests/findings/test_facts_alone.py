"""Findings come from facts and readings: with every sentence of a record replaced by nonsense they stay the same."""

from __future__ import annotations

import ast
import dataclasses
from pathlib import Path

import pytest

import benchctl.findings
from benchctl import events as ev
from benchctl import shipped
from benchctl.benchfile import reader
from benchctl.event_json import from_json, to_json
from benchctl.facts import AxesExchanged, Fact, HuntedLoad, Line, LineBroken, TriggerFound, catalogue
from benchctl.findings import find
from benchctl.runs.summary import summarise
from benchctl.terms import Role

#: fields of events that hold sentences, by event
PROSE = {
    ev.StageStarted: ("title", "instruction"),
    ev.StageEnded: ("reason",),
    ev.Note: ("text",),
    ev.Prompt: ("text",),
    ev.Answer: ("text",),
    ev.BoardLost: ("reason",),
    ev.Progress: ("text",),
    ev.OutputsLive: ("text",),
    ev.Attestation: ("text", "challenge", "answer"),
}
NONSENSE = "blorf; AD0 is exchanged, trouble comes with wug"
#: nothing is wrong there
HEALTHY = {"mudlark", "mudlark-low-volt", "mudlark-modules", "black-box", "confirmed-pair", "four-motors"}
FAULTY = [p.stem for p in sorted(reader.SHIPPED.glob("*.toml")) if p.stem not in HEALTHY]
#: what the fault itself does, and pulses that a restart cuts off
HARM = {
    name: (pytest.mark.harm("pulse", "turning"), pytest.mark.pulses("restarts cut them off"))
    for name in ("untaught-esc", "weak-usb", "servo-on-logic")
}
#: those that other short tests of this folder hunt on as well
A_FEW = ("open-miso", "wrong-address", "bad-joint")
#: shipped procedures that a pair without a gauge or sketches of its own can run
PROCEDURES = sorted(set(shipped.procedures()) - {"black-box", "own-sketch"})


def garbled(event: ev.Event) -> ev.Event:
    """The event with every sentence in it replaced."""
    if isinstance(event, ev.ReadingTaken):
        return dataclasses.replace(event, reading=dataclasses.replace(event.reading, note=NONSENSE))
    if isinstance(event, ev.RunStarted):
        plan = tuple(dataclasses.replace(p, title=NONSENSE) for p in event.plan)
        return dataclasses.replace(event, plan=plan)
    return dataclasses.replace(event, **dict.fromkeys(PROSE.get(type(event), ()), NONSENSE))


def unmoved(events: tuple[ev.Event, ...]) -> bool:
    return find(summarise(map(garbled, events))) == find(summarise(events))


@pytest.mark.parametrize(
    "bench", [pytest.param(b, marks=(*HARM.get(b, ()), *((pytest.mark.long,) if b not in A_FEW else ()))) for b in FAULTY]
)
def test_nonsense_for_sentences_changes_no_finding(recorded, bench: str) -> None:
    """Each shipped faulty bench, in the cut-down fault hunt: same causes, confidences, evidence and advice."""
    events = recorded(bench)

    assert find(summarise(events)) or bench == "enough-capacitor"
    assert unmoved(events)


@pytest.mark.long
@pytest.mark.parametrize(("bench", "procedure"), [
    pytest.param(bench, PROCEDURES[(3 * n + k) % len(PROCEDURES)], marks=HARM.get(bench, ()))
    for n, bench in enumerate(FAULTY) for k in range(3)
])  # fmt: skip
def test_nonsense_changes_no_finding_in_shipped_procedures(recorded, bench: str, procedure: str) -> None:
    """Every bench in three of them in turn, so that each procedure has its share."""
    assert unmoved(recorded(bench, shipped.procedure(procedure)))


def test_prose_of_every_event_is_known() -> None:
    """Every text field of an event is either garbled above or a name, a version, a word of a fixed list."""
    names = {
        "stage", "kind", "run", "wall", "version", "procedure", "procedure_sha256", "bench", "bench_kind",
        "bench_sha256", "operator", "label", "firmware", "image_crc", "port", "via", "cause", "shows", "name", "file",
        "level", "action", "detail", "unit", "by", "what", "remedy", "next_test", "title", "explanation",
    }  # fmt: skip
    for cls in ev.kinds().values():
        texts = {f.name for f in dataclasses.fields(cls) if f.type == "str"}

        assert texts - names <= set(PROSE.get(cls, ())), cls.__name__


SOURCES = sorted(Path(benchctl.findings.__file__).parent.glob("*.py"))
#: attributes that hold sentences of a record
SENTENCES = {"note", "notes", "reason", "lost_reason", "instruction", "prompts", "answers", "attestations"}
SEARCHES = {"startswith", "endswith", "split", "rsplit", "partition", "rpartition", "find", "index", "count", "lower"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.stem)
def test_findings_read_and_search_no_sentence(path: Path) -> None:
    """No attribute that holds a sentence is read, and no text is searched, in the package of findings."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Attribute):
            assert node.attr not in SENTENCES | SEARCHES, f"{path.name}:{node.lineno} reads .{node.attr}"
        if isinstance(node, ast.Compare) and any(isinstance(o, ast.In | ast.NotIn) for o in node.ops):
            right = node.comparators[-1]
            prose = isinstance(right, ast.Constant | ast.JoinedStr) or getattr(right, "attr", "") == "text"
            assert not prose, f"{path.name}:{node.lineno} searches a text"
        if isinstance(node, ast.Import):
            assert "re" not in {a.name for a in node.names}, f"{path.name} imports re"


def test_every_fact_says_what_it_means_and_makes_a_sentence() -> None:
    examples = [
        AxesExchanged("right", "y"),
        *(LineBroken(Role.HAND, line, "CE and CSN", 3, 90) for line in Line),
        TriggerFound(Role.CRAFT, (HuntedLoad.SERVO, HuntedLoad.LED), 5, 6, 0, 6, 0.002),
    ]
    for fact in examples:
        assert fact.sentence()
        assert "{" not in fact.sentence()
    for cls in catalogue().values():
        assert cls.__doc__
        assert not cls.__doc__.startswith(f"{cls.__name__}("), cls.__name__
        assert cls.sentence is not Fact.sentence


def test_a_fact_survives_the_record() -> None:
    event = ev.FactFound(1.5, "hunt", TriggerFound(Role.CRAFT, (HuntedLoad.SERVO,), 5, 6, 0, 6, 0.002))

    assert from_json(to_json(event)) == event


@pytest.mark.parametrize("fact", [None, {}, {"fact": "Gossip"}, {"fact": "LineBroken", "board": "hand", "line": "x"}])
def test_a_fact_that_is_none_is_refused(fact: object) -> None:
    with pytest.raises(ValueError, match=r"fact|expected"):
        from_json({"event": "FactFound", "t": 0.0, "stage": "hunt", "fact": fact})


def test_a_record_from_before_there_were_facts_keeps_its_findings() -> None:
    """Such a record opens and shows what was found then; nothing is diagnosed anew."""
    old = ev.FindingMade(2.0, 1, "led", "LED the wrong way round", 0.9, Role.HAND, ("x",), (), "turn it", "look")
    summary = summarise([ev.StageEnded(1.0, "controls", "controls", ev.Verdict.FAIL, "dark", 1.0), old])

    assert summary.findings == [old]
