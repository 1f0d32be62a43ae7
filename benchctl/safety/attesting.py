"""Asking for the attestations: cautions first, then one statement at a time, each with a word to type back."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.errors import OperatorAbsent
from benchctl.safety.attestation import Statement, challenge, matches
from benchctl.safety.cautions import CAUTIONS
from benchctl.safety.hands import Hands
from benchctl.safety.interlock import Interlock

#: a mistyped word may be corrected once
TRIES = 2


def attest_all(hands: Hands, interlock: Interlock) -> str:
    """Ask for every statement that is not valid now; returns why not all are, "" when all are."""
    now = hands.now()
    missing = [s for s in interlock.wanted if not interlock.valid(s.name, now)]
    if not missing:
        return ""
    for caution in CAUTIONS:
        hands.emit(ev.Note(now, hands.stage, f"{caution.topic}: {caution.text}", "caution"))
    for statement in missing:
        if not _attest(hands, interlock, statement):
            return f"not attested: {statement.text}"
    return ""


def _attest(hands: Hands, interlock: Interlock, statement: Statement) -> bool:
    for _ in range(TRIES):
        word = challenge(hands.bench.chance)
        text = f'{statement.text} If this is so and you have looked, type the word "{word}"; anything else means no.'
        try:
            answer = hands.ask(ev.PromptKind.WORD, text, "attest", detail=f"{statement.name} {word}")
        except OperatorAbsent:
            answer = ""
        accepted, now = matches(word, answer), hands.now()
        until = interlock.attest(statement.name, now) if accepted else now
        hands.emit(ev.Attestation(now, hands.stage, statement.name, statement.text, word, answer, accepted, until))
        if accepted:
            return True
        if answer.strip().lower() in ("", "no", "n"):
            return False
    return False
