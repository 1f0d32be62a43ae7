"""What to do after a run, the same on the screen, on the command line and in a report."""

from __future__ import annotations

from benchctl.facts import PairKept
from benchctl.report import words
from benchctl.runs.summary import Summary
from benchctl.terms import Role, Verdict


def next_steps(s: Summary) -> list[str]:
    """What to do now, most useful first; one sentence each."""
    if s.outcome is None:
        return ["The run is still going on; Esc returns to it."]
    kept = next((f for f in s.facts if isinstance(f, PairKept)), None)
    if kept is not None:
        pair = f"--bench ports --pair {kept.where}"
        steps = [f"Next: benchctl run bring-up {pair}"]
        if s.outcome is not Verdict.PASS:
            again = f"It goes on where it ended: benchctl run set-up {pair}; or state what is missing in the pair file."
            steps = [again, *steps]
        return steps
    if s.outcome is Verdict.PASS:
        return _after_pass(s)
    out = []
    if s.findings:
        out.append(words.sentence(words.clean(s.findings[0].remedy)))
        if s.findings[0].next_test:
            out.append(words.sentence(words.clean(s.findings[0].next_test)))
    if s.stop is not None:
        out.append("The run was stopped before its end: start it again when the bench is ready.")
    out += _said_no(s)
    lost = [b for b in s.boards.values() if b.lost]
    if lost and s.stop is None:
        who = words.names([f"{b.role} board" for b in lost])
        out.append(f"Look after the {who}: cable, power, firmware; then run again.")
    if any(a.given is False for a in s.answers):
        out.append("Some questions were left without an answer; stay with the boards and run again.")
    failed = [st for st in s.stages.values() if st.verdict is Verdict.FAIL]
    if failed and not s.findings and not out:
        out.append(f"Mend what “{failed[0].title or failed[0].name}” names below, then run the procedure again.")
    return out or ["Run again; nothing here points at a fault."]


def _said_no(s: Summary) -> list[str]:
    """What a person did not confirm, or declined to answer: no fault of a board, and no advice about one."""
    latest = {a.what: a for a in s.attestations}
    open_ = [a.text for a in latest.values() if not a.accepted and a.answer]
    if open_:
        return [f"Not confirmed: {words.clean(' '.join(open_))} See to it, then try again and type the word as shown."]
    asked = {st.name for st in s.stages.values() if st.verdict in (Verdict.FAIL, Verdict.UNDECIDED)}
    refused = [a.stage for a in s.answers if a.given and a.text.strip().lower() == "no" and a.stage in asked]
    return [
        f"“{s.stages[name].title or name}” was answered with no: do what it asks for, then try again."
        for name in dict.fromkeys(refused)
    ][:1]


def _after_pass(s: Summary) -> list[str]:
    if s.simulated:
        return ["The rehearsal went through; do the same with real boards on the ports bench."]
    labels = words.names([s.label(r) for r in (Role.HAND, Role.CRAFT) if r in s.boards])
    return [f"{labels}: passed. Keep the report with the boards.", "Next: soak, or the next pair."]
