"""Find the wiring: from a board that nobody has told anything to the lines of its pair file.

Looking comes first and drives nothing; trying comes second and drives only what floats or is weakly pulled; asking
comes last. Two candidates are told, never guessed between. Whatever the owner has stated already is not asked again.
"""

from __future__ import annotations

import re
from functools import partial

from benchctl import events as ev
from benchctl.analysis.pin_nature import Nature
from benchctl.pairfile.pins import SS
from benchctl.pairfile.said import said
from benchctl.safety.attestation import SUPPLY_OFF, Statement
from benchctl.safety.attesting import confirmed
from benchctl.stages.contract import Context, Needs, ReadingSpec, Stage
from benchctl.stages.find_controls import find_controls
from benchctl.stages.find_radio import find_radio
from benchctl.stages.find_rest import find_led, find_outputs, find_sense, find_sensor, find_supply
from benchctl.stages.identity import PROCESSORS
from benchctl.stages.wiring_search import Search
from benchctl.terms import Role, Source
from benchctl.wire.fields import MOST_TEXT

_NOTHING_MOVES = (
    SUPPLY_OFF,
    Statement("servo_off", "The supply of every servo is unplugged as well."),
    Statement("hands_off", "Nobody touches switches or joystick until asked to; jumpers for measuring are pulled out."),
)
_ROLES = (Role.HAND, Role.CRAFT)
_LABEL = re.compile(rf"[A-Za-z0-9-]{{1,{MOST_TEXT}}}")
#: times that a label is asked for
_TRIES = 3


def _perform(role: Role, ctx: Context) -> None:
    if not confirmed(ctx, _NOTHING_MOVES, lambda name, now: now, timeout_s=600.0):
        ctx.doubt(f"not confirmed: {' '.join(s.text for s in _NOTHING_MOVES)}")
        return
    search = Search(ctx, role)
    for key, value in said(search.known).items():
        search.keep(key, value, "known")
    _who(search)
    if role is Role.CRAFT:  # before anything else: not even a pull-up is tried on what is said to be an output
        find_outputs(search)
    search.survey()
    find_supply(search)
    find_sensor(search)
    if search.natures.get(SS) in (Nature.LOW, Nature.GLOWS):
        find_led(search)  # an LED to ground there ends every transfer to the transceiver until it is made an output
    find_radio(search)
    if role is Role.HAND:
        find_controls(search)
    find_led(search)
    find_sense(search)
    _store_name(search)
    ctx.read(f"{role}.found", search.found, "", search.found, source=Source.COUNTING, note="lines of the pair file")
    ctx.read(f"{role}.unsure", search.unsure, "", 1, source=Source.COUNTING, note="left for you to state")


def _who(search: Search) -> None:
    """Label, processor, clock: what the board says of itself, and what it shall be called."""
    one, known = search.board.identity, search.known
    if one is not None and known.processor is None and one.signature in PROCESSORS:
        search.keep("processor", PROCESSORS[one.signature], "looked")
    if one is not None and known.clock_mhz is None:
        search.keep("clock_mhz", round(one.clock_hz / 1e6), "looked")
    if known.label:
        return
    why, like = "", _like_the_other(search)
    offer = f"Enter alone takes {like}." if like else "For example marsh-hand-01."
    for _ in range(_TRIES):
        answer = search.ctx.ask(
            ev.PromptKind.TEXT,
            f"{why}What shall the {search.role} unit be called? A label of at most {MOST_TEXT} letters, digits and "
            f"hyphens; the same one for both boards of a pair but for the words hand and craft. {offer}",
            "name_board", role=search.role, timeout_s=600.0,
        ).strip() or like  # fmt: skip
        if _LABEL.fullmatch(answer) and answer not in _taken(search):
            search.keep("label", answer, "said")
            search.label = answer
            return
        why = f"{answer!r} is no such label. " if answer not in _taken(search) else f"{answer!r} is the other board. "
    search.wonder("label")


def _taken(search: Search) -> list[str]:
    """Labels of the other boards, by what they have said."""
    others = [board for role, board in search.ctx.bench.boards.items() if role is not search.role]
    return [board.identity.label for board in others if board.identity is not None and board.identity.label]


def _like_the_other(search: Search) -> str:
    """The other board's label with this one's role in it, "" where that is none."""
    for role, board in search.ctx.bench.boards.items():
        words = board.identity.label.split("-") if board.identity is not None else []
        if role is not search.role and role in words:
            like = "-".join(str(search.role) if word == role else word for word in words)
            return like if _LABEL.fullmatch(like) else ""
    return ""


def _store_name(search: Search) -> None:
    """Role and label into the board, so that it is known again on whatever port."""
    if not search.label:
        return
    search.board.write_setting("role", _ROLES.index(search.role))
    search.board.write_setting("label", search.label)
    search.board.save_settings()
    search.board.identify()


def _stage(role: Role) -> Stage:
    return Stage(
        kind=f"find_{role}",
        title=f"Find the {role} unit's wiring",
        instruction="Pins are looked at, and only what floats is tried. Do what is asked, and touch nothing else.",
        needs=Needs(roles=(role,), operator=True),
        perform=partial(_perform, role),
        finds=True,
        by_air="its wiring is looked for over a cable only",
        measures=(
            ReadingSpec(
                "found", "", "lines of the pair file found", None, "higher", 2, "",
                about="How many facts of the pair file were found by trial and by asking.",
            ),
            ReadingSpec(
                "unsure", "", "left for you to state", None, "lower", 1, "",
                about="How many facts could not be found; the stages that need them name the key to set. Usual: 0 to"
                      " 3.",
            ),
        ),
        expected_s=lambda p: 60.0,
    )  # fmt: skip


HAND_STAGE, CRAFT_STAGE = _stage(Role.HAND), _stage(Role.CRAFT)
