"""Which of the boards that answer is meant: by port, by label, by role."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from benchctl.errors import UsageError
from benchctl.ports.discover import PATIENCE_S, Candidate, Found, State, candidates, survey
from benchctl.terms import Role


@dataclass(frozen=True, slots=True)
class Wanted:
    """A board to be found. label "": any of the role; port "": wherever it is; baud 0: whatever it speaks."""

    role: Role
    label: str = ""
    port: str = ""
    baud: int = 0


@dataclass(frozen=True, slots=True)
class Assigned:
    """boards: found, their ports open in `line`. missing: why a wanted board is not there, as a sentence."""

    boards: dict[Role, Found] = field(default_factory=dict)
    missing: dict[Role, str] = field(default_factory=dict)


def device(port: str) -> str:
    """The device behind a port's name, so that two names of one port are told to be one."""
    return port if "://" in port else os.path.realpath(port)


def devices() -> set[str]:
    """The devices behind all ports that are there now."""
    return {device(c.port) for c in candidates()}


def boards_besides(open_: Collection[str], seconds: float) -> list[Found]:
    """Boards of ours that answer on ports other than these devices'; their ports are closed again."""
    found = survey([c for c in candidates() if device(c.port) not in open_], seconds)
    return [f for f in found if f.state is State.BOARD]


def find_boards(
    wanted: Sequence[Wanted],
    listed: Sequence[Candidate] | None = None,
    seconds: float = PATIENCE_S,
    labels: Mapping[Role, str] | None = None,
) -> Assigned:
    """Look for boards on the named ports and, when some board's is not named, on all others.

    With nothing wanted: every board that answers; labels: what boards of a role must then be called.
    Raises UsageError, with no port left open, when something other than the board is on a named port, when several
    boards could be meant, and with nothing wanted when no board answers.
    """
    found = survey(_to_probe(wanted, candidates() if listed is None else listed), seconds, keep=True)
    try:
        assigned = match(wanted, found) if wanted else all_by_role(found, labels or {})
    except UsageError:
        _let_go(found, ())
        raise
    _let_go(found, assigned.boards.values())
    return assigned


def _to_probe(wanted: Sequence[Wanted], listed: Sequence[Candidate]) -> list[Candidate]:
    named = {device(w.port): Candidate(w.port, baud=w.baud) for w in wanted if w.port}
    rest = [] if wanted and all(w.port for w in wanted) else [c for c in listed if device(c.port) not in named]
    return [*named.values(), *rest]


def _let_go(found: Iterable[Found], keep: Collection[Found]) -> None:
    kept = {id(f) for f in keep}
    for f in found:
        if id(f) not in kept:
            f.let_go()


# ---------------------------------------------------------------------- what is wanted


def match(wanted: Sequence[Wanted], found: Sequence[Found]) -> Assigned:
    """Each wish and the board that fulfils it: on its named port, by label, by role, at last the only one unlabelled.

    Raises UsageError as `find_boards` says.
    """
    out = Assigned()
    named = {device(w.port) for w in wanted if w.port}
    free = [f for f in found if f.state is State.BOARD and device(f.port) not in named]
    open_wishes = []
    for wish in wanted:
        if wish.port:
            _at_its_port(wish, found, out)
            continue
        fitting = [f for f in free if (f.label == wish.label if wish.label else _has_role(f, wish.role))]
        if not _take_the_one(wish, fitting, free, out):
            open_wishes.append(wish)
    _give_unlabelled(open_wishes, free, found, out)
    return out


def _at_its_port(wish: Wanted, found: Sequence[Found], out: Assigned) -> None:
    there = next(f for f in found if device(f.port) == device(wish.port))
    if there.state is State.BOARD:
        out.boards[wish.role] = there
    elif there.state in (State.SILENT, State.GONE, State.LOADER):
        out.missing[wish.role] = there.sentence
    else:
        raise UsageError(there.sentence)


def _has_role(found: Found, role: Role) -> bool:
    # a board without a label has the firmware's default role, which says nothing
    return bool(found.label) and found.identity is not None and found.identity.role is role


def _take_the_one(wish: Wanted, fitting: Sequence[Found], free: list[Found], out: Assigned) -> bool:
    if len(fitting) > 1:
        raise UsageError(_several(wish.role, fitting))
    if not fitting:
        return False
    out.boards[wish.role] = fitting[0]
    free.remove(fitting[0])
    return True


def _give_unlabelled(wishes: Sequence[Wanted], free: list[Found], found: Sequence[Found], out: Assigned) -> None:
    """One new board and one wish left: it is that one. More of either: nobody can tell."""
    fresh = [f for f in free if not f.label]
    if len(wishes) == 1 and len(fresh) == 1:
        out.boards[wishes[0].role] = fresh[0]
        return
    if wishes and len(fresh) > 1:
        raise UsageError(_several(wishes[0].role, fresh))
    for wish in wishes:
        out.missing[wish.role] = _none(wish, found)


def _several(role: Role, fitting: Sequence[Found]) -> str:
    seen = "; ".join(f.sentence for f in fitting)
    return (
        f"more than one board could be the {role} board: {seen}. Say which with --label {role}=LABEL; boards without "
        f"a label by `port` in a bench file, or by plugging in one at a time"
    )


def _none(wish: Wanted, found: Sequence[Found]) -> str:
    what = f"labelled {wish.label} " if wish.label else ""
    seen = "; ".join(f.sentence for f in found) or "there are no serial ports here"
    return f"no {wish.role} board {what}answers on any port: {seen}"


# ---------------------------------------------------------------------- whatever is there


def all_by_role(found: Sequence[Found], labels: Mapping[Role, str]) -> Assigned:
    """Every board that answers, one a role. Raises UsageError when that is none, or when several have one role."""
    out = Assigned()
    boards = [f for f in found if f.state is State.BOARD and f.identity is not None]
    for role in Role:
        label = labels.get(role, "")
        fitting = [f for f in boards if (f.label == label if label else f.identity and f.identity.role is role)]
        if label and not fitting:
            raise UsageError(_none(Wanted(role, label), found))
        if len(fitting) > 1:
            raise UsageError(_several(role, fitting))
        if fitting:
            out.boards[role] = fitting[0]
    if not out.boards:
        raise UsageError("no board answers: " + ("; ".join(f.sentence for f in found) or "there are no serial ports"))
    return out


# ---------------------------------------------------------------------- back again


def find_again(
    wanted: Wanted,
    in_use: Collection[str],
    seconds: float,
    *,
    known: bool = True,
    old: Collection[str] = (),
    told: list[Found] | None = None,
) -> Found | None:
    """A board that went away or was not there yet, its port open in `line`; None when it is not there now.

    wanted.port: where it was, looked at first; a board that comes back is nearly always there, and probing resets
    what is on the others. known: it has said its label before, so nothing else can be it; a board known to have no
    label is only looked for on its old port. old: devices of which nobody knows which board they are, so that one
    without a label is not taken from there. told: gets what else was found.
    """
    taken = {device(p) for p in (*in_use, wanted.port)}
    groups = [[Candidate(wanted.port, baud=wanted.baud)]] if wanted.port else []
    if wanted.label or not known:
        groups.append([c for c in candidates() if device(c.port) not in taken])
    for group in groups:
        found = survey(group, seconds, keep=True)
        fitting = [f for f in found if f.state is State.BOARD and f.label == wanted.label]
        if not known and not wanted.label:
            fitting = [f for f in fitting if device(f.port) not in old]
        if not known:
            boards = [f for f in found if f.state is State.BOARD]
            # a new board first; else one that says it has that role, where no label is expected
            fitting = fitting or [f for f in boards if not f.label and device(f.port) not in old]
            fitting = fitting or [f for f in boards if not wanted.label and _has_role(f, wanted.role)]
        # several at once: better none than the wrong one
        chosen = fitting[:1] if len(fitting) == 1 else []
        _let_go(found, chosen)
        if chosen:
            return chosen[0]
        if told is not None:
            told += found
    return None
