"""Asking for attestations: cautions first, then statements, each with a word to type back."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchctl import events as ev
from benchctl.errors import OperatorAbsent
from benchctl.safety.attestation import SUPPLY_OFF, Statement, challenge, matches, refuses
from benchctl.safety.cautions import CAUTIONS
from benchctl.safety.interlock import Interlock
from benchctl.safety.stage_access import StageAccess

#: a slip is asked again; who never types the word does not read what is asked
TRIES = 10
SLIP = "That was not the word. "


def attest_all(access: StageAccess, interlock: Interlock, *, again: bool = False) -> str:
    """Ask for every statement that is not valid now; returns why not all are, "" when all are.

    One statement after the other, each with its own word. again: within a stage for which that has been done before,
    all that is missing stands on one screen, with one word.
    """
    now = access.now()
    interlock.noticed(access.bench.late)
    missing = [s for s in interlock.wanted if not interlock.valid(s.name, now)]
    if not missing:
        return ""
    if not again:
        for caution in CAUTIONS:
            access.emit(ev.Note(now, access.stage, f"{caution.topic}: {caution.text}", "caution"))
    for statements in [missing] if again else [[s] for s in missing]:
        if not _attest(access, interlock, *statements):
            return f"not attested: {' '.join(s.text for s in statements)}"
    return ""


def attest_off(access: StageAccess, interlock: Interlock) -> str:
    """Ask whether the motors' battery is unplugged, unless that is valid now; returns why it is not attested, or ""."""
    if interlock.valid(SUPPLY_OFF.name, access.now()) or _attest(access, interlock, SUPPLY_OFF):
        return ""
    return f"not attested: {SUPPLY_OFF.text}"


def _attest(access: StageAccess, interlock: Interlock, *statements: Statement) -> bool:
    return confirmed(access, statements, interlock.attest)


def confirmed(
    access: StageAccess,
    statements: Sequence[Statement],
    attest: Callable[[str, float], float],
    timeout_s: float = 120.0,
    against: Callable[[], Sequence[str]] = tuple,
) -> bool:
    """Whether a person says that all of these are so, by typing one word that is shown with them.

    A slip is asked again, with another word; only the word no means no. attest: told each name and the time, returns
    until when that counts. against: what can be seen that contradicts it, as sentences; then it is not accepted, and
    asked again. Nobody there is no.
    """
    names, texts = ",".join(s.name for s in statements), " ".join(s.text for s in statements)
    so = "this is so" if len(statements) == 1 else "all of this is so"
    slip, word, accepted = "", "", False
    for _ in range(TRIES):
        word = challenge(access.bench.chance)
        text = f'{slip}{texts} If {so} and you have looked, type the word "{word}"; if not, type no.'
        try:
            answer = access.ask(ev.PromptKind.WORD, text, "attest", detail=f"{names} {word}", timeout_s=timeout_s)
        except OperatorAbsent:
            answer = ""
            break
        if refuses(answer):
            break
        slip = SLIP
        if matches(word, answer):
            seen = against()
            accepted = not seen
            if accepted:
                break
            slip = f"This is not so: {'; '.join(seen)}. "
    now = access.now()
    for s in statements:
        until = attest(s.name, now) if accepted else now
        access.emit(ev.Attestation(now, access.stage, s.name, s.text, word, answer, accepted, until))
    return accepted
