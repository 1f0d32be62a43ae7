"""The manual: examples of every command and a page for every topic, told in one place.

`benchctl help` prints it all, `benchctl help TOPIC` a part, and every `--help` ends with the examples of its command.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path

from benchctl import preferences, shipped
from benchctl.errors import UsageError

#: command, "" for none → example and what it does
EXAMPLES: Mapping[str, tuple[tuple[str, str], ...]] = {
    "": (
        ("benchctl", "open the terminal UI"),
        ("benchctl run bring-up", "rehearse the whole bring-up on the modelled Mudlark pair"),
        ("benchctl boards", "which ports there are, and who answers"),
        ("benchctl run bring-up --bench ports", "bring up the two boards that are plugged in"),
        ("benchctl report last --format html --out report.html", "the newest run, to read and to print"),
    ),
    "run": (
        ("benchctl run bring-up", "rehearse on the modelled pair, as fast as it goes"),
        ("benchctl run bring-up --bench ports", "two real boards, whichever ports they are on"),
        ("benchctl run radio-link --bench avr", "the real firmware on simulated chips"),
        ("benchctl run radio-link --seed 7 --json", "one JSON object on standard output"),
        ("benchctl run bring-up --only supply", "one stage and what it needs"),
        ("benchctl run bring-up --label craft=mudlark-craft-03", "refuse any other craft board"),
        ("benchctl run regression --reference", "after a firmware change: did anything get worse?"),
    ),
    "procedures": (("benchctl procedures", "name, purpose and stages of each"),),
    "report": (
        ("benchctl report last", "the newest run as text"),
        ("benchctl report last --format html --out report.html", "a page to read and to print"),
        ("benchctl report last --format junit --out report.xml", "for a build server"),
    ),
    "findings": (("benchctl findings last", "likely causes, what speaks for each, what to change"),),
    "label": (
        ("benchctl label last --board craft", "the craft board's sticker as text"),
        ("benchctl label last --board craft --svg --out craft.svg", "the same to print, 54 by 25 mm"),
    ),
    "compare": (
        ("benchctl compare 20260314-101530-bring-up-3fa9 last", "what got worse since then"),
        ("benchctl compare 20260314-101530-bring-up-3fa9 last --all --json", "every reading, for a program"),
    ),
    "reference set": (("benchctl reference set last", "later runs of these boards are compared with this one"),),
    "reference show": (("benchctl reference show", "board, firmware line, run"),),
    "runs": (
        ("benchctl runs", "the latest runs, then each board's verdict and the yield"),
        ("benchctl runs --board mudlark-craft-03 --most 5", "the last five of one board"),
    ),
    "boards": (("benchctl boards", "which ports there are, and who answers"),),
    "flash": (
        ("benchctl flash /dev/ttyUSB0", "the probe firmware for a 16 MHz board"),
        ("benchctl flash /dev/ttyUSB1 --mhz 8", "for an 8 MHz board"),
    ),
    "bench serve": (
        ("benchctl bench serve sim", "the modelled boards as serial ports, until Ctrl-C"),
        ("benchctl bench serve weak-capacitor --tcp", "a faulty pair, as TCP ports"),
    ),
    "bench wiring": (("benchctl bench wiring black-box", "which pin goes to which"),),
    "bench keys": (("benchctl bench keys", "all keys of a bench file"),),
    "completion": (
        ('eval "$(benchctl completion bash)"', "for this shell; put it into ~/.bashrc to keep it"),
        ("benchctl completion zsh > ~/.zfunc/_benchctl", "in a folder of zsh's fpath"),
        ("benchctl completion fish > ~/.config/fish/completions/benchctl.fish", "for fish"),
    ),
    "help": (
        ("benchctl help", "the whole manual"),
        ("benchctl help files", "one topic of it"),
        ("benchctl help run", "what `benchctl run --help` says"),
    ),
}  # fmt: skip

EXIT_CODES: Mapping[int, str] = {
    0: "pass: every stage passed; of other commands, done",
    1: "fail: a limit is not met or something is broken; of a comparison, something got worse",
    2: "wrong usage or input: the sentence printed names the place and what was expected",
    3: "not decided: too little evidence, a board lost, nobody answered, stopped",
}
ENVIRONMENT: Mapping[str, str] = {
    "NO_COLOR": "set to anything: the terminal UI uses no colours; words and signs say it all",
    "COLORFGBG": "set by many terminals: tells a light background, so that the UI uses dark text",
    "XDG_CONFIG_HOME, XDG_DATA_HOME": "on Linux: where preferences and runs are looked for",
}


def epilog(command: str) -> str:
    """What a command's help ends with: its examples, and where to read on."""
    rest = "exit codes: " + ", ".join(f"{code} {text.partition(':')[0]}" for code, text in EXIT_CODES.items())
    return f"examples:\n{examples(command)}\n\n{rest}\nmore: benchctl help, benchctl help files"


def examples(command: str) -> str:
    """Each example with what it does below it."""
    return "\n".join(f"  {line}\n      {what}" for line, what in EXAMPLES[command])


def _start() -> str:
    return _paragraphs(
        "benchctl brings a freshly soldered pair of radio-control boards from never powered to a motor under control: "
        "a hand unit and a craft unit, each with an ATmega328P and an nRF24L01+. A procedure is a list of stages; "
        "each is safe because those before it have passed, and each measures in numbers, against limits.",
        "First time: `benchctl` opens the terminal UI; choose bring-up and the bench sim, and press F5. Nothing is "
        "real there. Then put the probe firmware on both boards (`benchctl flash PORT`), connect them by USB, "
        "propellers off, and run bring-up on the bench ports.",
        "Every run is kept as a folder with its report. What failed, why, and what to change stands at the top of it.",
    )


def _benches() -> str:
    told = {
        "sim": "a modelled pair: no hardware, no toolchain; for practice, faults and accuracy",
        "avr": "the compiled firmware on simulated chips with the same modelled parts round them",
        "ports": "the boards plugged in here, found by their answers; `serial` means the same",
        "FILE": "a bench file (TOML): every physical number of a bench; `benchctl bench keys` lists them",
    }
    return _table(told) + "\n" + _paragraphs(
        "Benches with a fault in them, to see what it looks like, are shipped too; `benchctl bench keys` names them."
    )  # fmt: skip


def _procedures() -> str:
    names = ", ".join(shipped.procedures())
    return _paragraphs(
        f"Shipped: {names}. `benchctl procedures` says what each is for. A file of your own is TOML: a title, and one "
        "[[stage]] table per stage with its kind, its parameters and its limits; copy a shipped one to begin with.",
        "--answers FILE holds a table per stage, action = answer, for runs that nobody attends. Counts of blinks and "
        "words shown once cannot be answered from a file: they prove that somebody is there.",
    )


def _exit_codes() -> str:
    return _table({str(code): text for code, text in EXIT_CODES.items()})


def _files() -> str:
    from benchctl.operate import default_root

    try:
        root = str(default_root())
    except UsageError:
        root = "as `runs` in the preferences says"
    home = str(Path.home())
    told = {
        "preferences": str(preferences.path()).replace(home, "~"),
        "runs": root.replace(home, "~"),
    }
    keys = textwrap.indent((preferences.__doc__ or "").partition("\n\n")[2].partition("\n\n")[2].strip(), "    ")
    inside = {
        "events.jsonl": "the record: one JSON object a line; all else is made from it",
        "*.npy": "packets, waveforms and curves, as numpy files",
        "report.html, .txt, .json": "the report to read, and for programs",
        "report.xml, report.tap": "JUnit XML and TAP 14, for build servers",
        "manifest.json": "sums of the files; a run that has ended is never changed",
    }
    return "\n".join((_table(told), "", "  preferences, each line optional:", keys, "", "  in a run's folder:",
                      _table(inside, "    ")))  # fmt: skip


def _environment() -> str:
    return _table(ENVIRONMENT)


def _keys() -> str:
    told = {
        "Ctrl+X": "stop at once, on any screen; so do Ctrl+C and F10",
        "F1 or ?": "help on the present screen: what it shows, its keys, its signs",
        "F5": "start what is chosen",
        "Ctrl+P": "all commands by name; the look of the screen too",
        "Tab, arrows, Enter": "go from field to field, move, take; the mouse works as well",
        "Esc": "back; it never stops anything",
        "Ctrl+Q": "stop the run if there is one, and close",
    }
    return _table(told)


def _safety() -> str:
    from benchctl.safety.cautions import CAUTIONS

    return _paragraphs(
        "The stop key and Ctrl-C are operating stops. The emergency stop is the battery plug or supply switch within "
        "your reach.",
        *(f"{c.topic}. {c.text}" for c in CAUTIONS),
    )


#: topic → what it is about, its text
TOPICS = {
    "start": ("what this is, and how to begin", _start),
    "benches": ("what --bench takes", _benches),
    "procedures": ("what PROCEDURE takes; answers from a file", _procedures),
    "keys": ("keys of the terminal UI", _keys),
    "files": ("preferences, runs, what is in a run's folder", _files),
    "environment": ("variables that are looked at", _environment),
    "exit-codes": ("what a script can go by", _exit_codes),
    "safety": ("cautions; what stops what", _safety),
}


def topic(name: str) -> str:
    """The page of a topic. Raises UsageError naming those that there are."""
    if name not in TOPICS:
        raise UsageError(f"help {name}: expected a command, or one of {', '.join(TOPICS)}")
    about, text = TOPICS[name]
    return f"{name.upper()}: {about}\n\n{text()}\n"


def whole() -> str:
    """Every topic, then the examples of every command."""
    every = "\n".join(examples(command) for command in EXAMPLES)
    return "\n".join([*(topic(name) for name in TOPICS), f"EXAMPLES\n\n{every}\n"])


def _paragraphs(*texts: str) -> str:
    return "\n\n".join(textwrap.fill(t, 78, initial_indent="  ", subsequent_indent="  ") for t in texts)


def _table(rows: Mapping[str, str], indent: str = "  ") -> str:
    """Names with their texts beside them, or below where a name is long."""
    wide = min(26, max(len(name) for name in rows) + 2)
    out = []
    for name, text in rows.items():
        lines = textwrap.wrap(text, 78 - len(indent) - wide, break_long_words=False) or [""]
        first = f"{indent}{name:<{wide}}{lines.pop(0) if len(name) < wide else ''}".rstrip()
        out += [first, *(f"{indent}{'':{wide}}{row}" for row in lines)]
    return "\n".join(out)
