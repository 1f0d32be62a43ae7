"""What several functions do alike, once: pieces of the compiler's assembly that repeat become functions of their own.

    python outline.py < in.s > out.s

A piece is a run of instructions that nothing jumps into. One that ends a function is jumped to; one that ends with a
call ends with a jump to what it called; any other is called and returns: the deepest stack grows by one return address,
for no piece calls another. What must not become slower stays as it is: interrupts, and the path of each packet. So does
whatever touches a register of the chip or the stack: some writes must follow each other within four cycles.
"""

from __future__ import annotations

import re
import sys
import zlib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

#: the path of each packet, edge and pulse, by parts of the functions' names
FAST = (
    "main", "vector", "hw_port_changed", "hw_pin_write", "hw_pin_pull", "hw_spi", "hw_ce", "hw_ticks", "hw_stamp",
    "hw_hold", "hw_release", "hw_wait", "hw_radio", "hw_edge", "hw_uart", "hw_adc", "hw_pins_reserved", "Guard",
    "guard", "frame_put", "frame_open", "frame_close", "put_coded", "event_row", "crc16", "nrf_looked", "nrf_event",
    "nrf_download", "nrf_finish", "nrf_clear", "nrf_up", "nrf_write", "nrf_read", "nrf_command", "nrf_burst",
    "nrf_pulse", "launched", "next_packet", "record_", "flight_over", "send_now", "loop_edge", "controls_fast",
    "trace", "wake_at", "not_yet", "take_point", "fill", "upload_next", "after_ping", "led_", "life_load",
    "load_switch", "measure_poll", "stimulus_last", "outputs_servo",
)  # fmt: skip
LONGEST = 40
#: bytes of a call that reaches, and of a return
CALL, RETURN = 2.3, 2
SKIPS = ("sbrc", "sbrs", "sbic", "sbis", "cpse")
ENDS = ("ret", "rjmp", "jmp")
CALLS = ("call", "rcall")
FOUR_BYTES = ("lds", "sts")
#: nothing of a piece; branches, what changes or reads the stack, and registers of the chip by number, nearby labels
NEVER_OF = re.compile(
    r"^(?:br\w\w|push|pop|reti|e?ijmp|e?icall|in|out|[sc]bi|sbi[cs]|e?lpm|spm|sei|cli|sleep|wdr)\b"
    r"|^(?:lds r\d+,|sts )\s*\d|\b\d+[fb]\b"
)


@dataclass(frozen=True, slots=True)
class Line:
    """An instruction: its text without what makes no difference, and where it stands. fixed: no part of any piece."""

    text: str
    place: int
    fixed: bool

    @property
    def operation(self) -> str:
        return self.text.split(" ", 1)[0]

    @property
    def size(self) -> int:
        return 4 if self.operation in FOUR_BYTES else 2


def runs(source: list[str]) -> Iterator[list[Line]]:
    """Instructions that follow each other, none of which is jumped to but the first."""
    slow, inline, loose, run = False, False, 0, []
    for place, raw in enumerate(source):
        line = " ".join(raw.split("\t")).strip()
        if m := re.match(r'\.section (\S+?),"ax"', line):
            name = m[1]
            slow = name.startswith(".text.") and not any(part in name for part in (*FAST, "shared_"))
        inline = line.startswith("/* #APP") or (inline and not line.startswith("/* #NOAPP"))
        if not line or line.startswith("/*"):
            continue
        if re.match(r"[\w.$]+:", line) or line.startswith((".", "#")):
            if not line.startswith((".L__stack", ".size", ".type")):
                if run:
                    yield run
                run = []
            continue
        operation = line.split(" ", 1)[0]
        perhaps = bool(run) and run[-1].operation in SKIPS
        leaves = operation in (*ENDS, *CALLS)
        fixed = inline or not slow or loose > 0 or (perhaps and leaves) or bool(NEVER_OF.search(line))
        loose = 2 if re.search(r"[ ,]\.[+-]\d", line) else max(loose - 1, 0)  # a distance counts the bytes between
        run.append(Line(line, place, fixed))
        if operation in ENDS and not perhaps:
            yield run
            run = []
    if run:
        yield run


def candidates(all_runs: list[list[Line]]) -> dict[tuple[str, ...], list[tuple[int, int]]]:
    """Every run of texts that may be a piece, with where it begins."""
    found: dict[tuple[str, ...], list[tuple[int, int]]] = defaultdict(list)
    for number, run in enumerate(all_runs):
        for start in range(len(run)):
            if start and run[start - 1].operation in SKIPS:
                continue
            for end in range(start, min(start + LONGEST, len(run))):
                line = run[end]
                if line.fixed:
                    break
                if end > start and line.operation not in SKIPS:
                    found[tuple(one.text for one in run[start : end + 1])].append((number, start))
                if line.operation in CALLS:
                    break  # what follows would lie under a return address
    return {texts: places for texts, places in found.items() if len(places) > 1}


def gain(texts: tuple[str, ...], times: int) -> int:
    """Bytes saved when so many are replaced."""
    body = sum(4 if t.split(" ", 1)[0] in FOUR_BYTES else 2 for t in texts)
    last = texts[-1].split(" ", 1)[0]
    own = body if last in (*ENDS, *CALLS) else body + RETURN
    return times * (body - CALL) - own


def pieces(all_runs: list[list[Line]]) -> list[tuple[tuple[str, ...], list[tuple[int, int]]]]:
    """The pieces taken, the best first, and where each is replaced."""
    found = candidates(all_runs)
    used = [[False] * len(run) for run in all_runs]
    taken = []

    def free(texts: tuple[str, ...], places: list[tuple[int, int]]) -> list[tuple[int, int]]:
        out: list[tuple[int, int]] = []
        for number, start in places:
            clash = out and out[-1][0] == number and out[-1][1] + len(texts) > start
            if not clash and not any(used[number][start : start + len(texts)]):
                out.append((number, start))
        return out

    while found:
        for texts in list(found):
            found[texts] = free(texts, found[texts])
            if gain(texts, len(found[texts])) <= 0:
                del found[texts]
        if not found:
            break
        for texts in sorted(found, key=lambda t: (-gain(t, len(found[t])), t)):
            places = free(texts, found[texts])
            if len(places) < len(found[texts]):
                break  # what was taken in this round changes the order
            for number, start in places:
                used[number][start : start + len(texts)] = [True] * len(texts)
            taken.append((texts, places))
    return taken


def name_of(texts: tuple[str, ...]) -> str:
    """By what it does, so that it keeps its place when other code changes."""
    return f"shared_{zlib.crc32(chr(10).join(texts).encode()):08x}"


#: a function that saves many registers: frame's size, where to go on, and the library's code for so many
ENTRY = re.compile(
    r"\tldi r27,0\n\tldi r30,lo8\(gs\(1f\)\)\n\tldi r31,hi8\(gs\(1f\)\)\n"
    r"\tjmp __prologue_saves__\+\(\(18 - (\d+)\) \* 2\)\n1:\n"
)


def entries_called(source: str) -> str:
    """Entries of functions as a call: where to go on is then its return address, which lies where it is wanted."""
    out, tail, end = [], {}, 0
    for m in ENTRY.finditer(source):
        section = re.findall(r"\.section\s+(\S+?),", source[: m.start()])[-1]
        if any(part in section for part in FAST):
            continue
        out += [source[end : m.start()], f"\tcall shared_entry_{m[1]}\n"]
        tail[m[1]] = (
            f'\t.section .text.shared_entry_{m[1]},"ax",@progbits\nshared_entry_{m[1]}:\n\tpop r31\n\tpop r30\n'
            f"\tldi r27,0\n\tjmp __prologue_saves__+((18 - {m[1]}) * 2)\n"
        )
        end = m.end()
    return "".join([*out, source[end:], *tail.values()])


def outlined(text: str) -> list[str]:
    """The assembly with its pieces once."""
    source = entries_called(text).splitlines(keepends=True)
    all_runs = list(runs(source))
    out = list(source)
    tail = []
    for texts, places in pieces(all_runs):
        name, last = name_of(texts), texts[-1].split(" ", 1)[0]
        jump = "jmp" if last in ENDS else "call"
        for number, start in places:
            lines = all_runs[number][start : start + len(texts)]
            for line in lines:
                out[line.place] = ""
            out[lines[0].place] = f"\t{jump} {name}\n"
        body = list(texts)
        if last in (*CALLS, "rjmp"):
            body[-1] = "jmp " + texts[-1].split(" ", 1)[1]
        elif last not in ENDS:
            body.append("ret")
        tail.append(f'\t.section .text.{name},"ax",@progbits\n\t.type {name}, @function\n{name}:\n')
        tail += [f"\t{text}\n" for text in body]
        tail.append(f"\t.size {name}, .-{name}\n")
    return out + tail


if __name__ == "__main__":
    sys.stdout.writelines(outlined(sys.stdin.read()))
