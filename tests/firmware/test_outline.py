"""Pieces of assembly that repeat become functions: which runs of instructions may, and which must not."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).resolve()
SPEC = importlib.util.spec_from_file_location("firmware_outline", HERE.parents[2] / "firmware_probe" / "outline.py")
outline = importlib.util.module_from_spec(SPEC)
# dataclasses look their module up by its name
__import__("sys").modules[SPEC.name] = outline
SPEC.loader.exec_module(outline)

#: four instructions of eight bytes
BODY = ["movw r22,r28", "subi r22,-1", "sbci r23,-1", "ldd r24,Z+4"]


def program(*bodies: list[str], names: str = "abcdefgh") -> str:
    """Functions of these instructions, each with an instruction of its own before and after, and a return."""
    out = []
    for number, (name, body) in enumerate(zip(names, bodies, strict=False)):
        lines = [f"ldi r20,{number}", *body, f"ldi r21,{number}", "ret"]
        out.append(f'\t.section\t.text.{name},"ax",@progbits\n{name}:\n' + "".join(f"\t{line}\n" for line in lines))
    return "".join(out)


def made(source: str) -> str:
    return "".join(outline.outlined(source))


def shared(text: str) -> list[list[str]]:
    """The pieces, as their instructions."""
    parts = text.split("\t.section .text.shared_")[1:]
    return [
        [line.strip() for line in p.splitlines()[1:] if line.startswith("\t") and "." not in line[:3]] for p in parts
    ]


def test_what_repeats_is_called_and_returns() -> None:
    """Called where it stood; its own code ends with a return."""
    text = made(program(*[BODY] * 5))

    (piece,) = shared(text)
    assert piece == [*BODY, "ret"]
    assert text.count("call shared_") == 5
    assert text.count("subi r22,-1") == 1


def test_a_piece_that_ends_with_a_call_grows_no_stack() -> None:
    """It ends with a jump to what it called, which returns to the caller."""
    (piece,) = shared(made(program(*[[*BODY, "call there"]] * 5)))

    assert piece == [*BODY, "jmp there"]


def test_the_end_of_functions_is_jumped_to() -> None:
    """No return address more."""
    bodies = "".join(
        f'\t.section\t.text.{n},"ax",@progbits\n{n}:\n\tldi r20,{i}\n' + "".join(f"\t{x}\n" for x in [*BODY, "ret"])
        for i, n in enumerate("abcde")
    )
    text = made(bodies)

    assert shared(text) == [[*BODY, "ret"]]
    assert text.count("jmp shared_") == 5
    assert "call shared_" not in text


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (["sbrc r24,0", "call there"], "a call that may be skipped ends nothing"),
        (["cpse r24,r25", "rjmp .L1"], "nor does a jump"),
        (["in r28,__SP_L__", "in r29,__SP_H__", "sbiw r28,4"], "the stack"),
        (["sts 96,r24", "sts 96,r25", "sts 96,r24"], "registers of the chip, some of which have four cycles"),
        (["push r24", "push r25", "pop r24", "pop r25"], "what moves the stack"),
        (["brne .+2", "movw r22,r28", "subi r22,-1"], "a distance counts the bytes between"),
    ],
)  # fmt: skip
def test_what_must_stay(body: list[str], why: str) -> None:
    """These are where they were, in every function."""
    text = made(program(*[body] * 6))

    for line in body:
        assert text.count(line) == 6 * body.count(line), why


def test_no_piece_begins_after_a_skip() -> None:
    """What is skipped is one instruction, not a call of many."""
    lines = [line.strip() for line in made(program(*[["sbrs r24,0", *BODY]] * 6)).splitlines()]

    after = [lines[n + 1] for n, line in enumerate(lines) if line == "sbrs r24,0"]
    assert after
    assert set(after) == {BODY[0]}


def test_the_path_of_packets_and_inline_assembly_stay() -> None:
    """By the functions' names, and between the compiler's marks."""
    assert shared(made(program(*[BODY] * 2, names=["hw_spi_send", "frame_put"]))) == []
    assert shared(made(program(*[["/* #APP */", *BODY, "/* #NOAPP */"]] * 6))) == []


def test_a_jump_into_the_middle_parts_a_run() -> None:
    """A label is where something comes from elsewhere."""
    text = made(program(*[[*BODY[:2], "1:", *BODY[2:]]] * 6))

    assert "1:" in text
    assert all(len(piece) <= 3 for piece in shared(text))


def test_an_entry_is_a_call_whose_return_address_is_where_to_go_on() -> None:
    """The library's entry takes in Z where to go on: the two pops leave it there, low byte in r30."""
    entry = [
        "ldi r26,0",
        "ldi r27,0",
        "ldi r30,lo8(gs(1f))",
        "ldi r31,hi8(gs(1f))",
        "jmp __prologue_saves__+((18 - 5) * 2)",
    ]
    source = program(*[entry] * 3).replace("* 2)\n", "* 2)\n1:\n")
    text = outline.entries_called(source)

    assert text.count("call shared_entry_5") == 3
    assert "\tpop r31\n\tpop r30\n\tldi r27,0\n\tjmp __prologue_saves__+((18 - 5) * 2)\n" in text
