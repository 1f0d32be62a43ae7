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
        ("benchctl run bring-up --bench ports --pair mine", "bring up the two boards that are plugged in"),
        ("benchctl report last --format html --out report.html", "the newest run, to read and to print"),
    ),
    "run": (
        ("benchctl run bring-up", "rehearse on the modelled pair, as fast as it goes"),
        ("benchctl run bring-up --bench ports --pair mine", "two real boards, soldered as mine.toml says"),
        ("benchctl run bring-up --pair mudlark-modules", "rehearse on a modelled pair with other pins"),
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
    "pairs": (("benchctl pairs", "names of pair files: yours, and the shipped ones to copy from"),),
    "boards": (("benchctl boards", "which ports there are, and who answers"),),
    "flash": (
        ("benchctl flash /dev/ttyUSB0", "the probe firmware for a 16 MHz board"),
        ("benchctl flash /dev/ttyUSB1 --mhz 8", "for an 8 MHz board"),
        ("benchctl flash /dev/ttyUSB2 --role gauge", "the gauge's own image"),
    ),
    "bench serve": (
        ("benchctl bench serve sim", "the modelled boards as serial ports, until Ctrl-C"),
        ("benchctl bench serve weak-capacitor --tcp", "a faulty pair, as TCP ports"),
    ),
    "bench wiring": (
        ("benchctl bench wiring black-box", "which pin goes to which"),
        ("benchctl bench wiring --pair mine", "the measuring jumpers of a pair of yours"),
    ),
    "bench keys": (("benchctl bench keys", "all keys of pair and bench files"),),
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
    "NO_COLOR": "set to anything: no colours; words and signs say it all",
    "TERM": "dumb: progress as in a pipe, no line that changes in place",
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
        "real there. Then write down what you soldered (`benchctl help pairs`), put the probe firmware on both boards "
        "(`benchctl flash PORT`), connect them by USB, propellers off, and run bring-up on the bench ports.",
        "Every run is kept as a folder with its report. What failed, why, and what to change stands at the top of it.",
    )


def _pairs() -> str:
    from benchctl.pairfile.reader import folder, shipped

    home = str(Path.home())
    example = """    [board.craft]
    label = "mudlark-craft-01"
    clock_mhz = 16
    [board.craft.pins]
    led = "D4"            # D4 and PD4 are the same pin
    pulse1 = "D9"
    radio_ce = "D6"
    radio_csn = "D7"
    radio_irq = "none"    # known not to be wired
    [board.craft.output.pulse1]
    drives = "servo" """
    return "\n\n".join((
        _paragraphs(
            "A pair file says what you soldered: processor and clock, the pin of every function, the parts, what is "
            "plugged into the pulse outputs, how each board is fed. Facts only: no number in it is a model. What it "
            "does not say is unknown: it is found, asked for, or the stage that needs it is not run and names the key "
            "to set. A misspelt key is an error with the nearest right one, and so is a pin that cannot do what it "
            "is said to do.",
            "`benchctl run set-up --bench ports` writes one: it looks at every pin without driving it, tries only pins "
            "that float or are weakly pulled, asks for the rest, and tells what it cannot tell. With --pair NAME it "
            "goes on where it was left.",
            f"NAME.toml in {str(folder()).replace(home, '~')} is found by --pair NAME; --pair FILE takes any file. "
            f"Shipped, to copy from: {', '.join(shipped())}. `benchctl bench keys` lists every key; "
            "`benchctl bench wiring --pair NAME` draws the measuring jumpers. A short one begins like this:",
        ),
        example.rstrip(),
        _paragraphs(
            'A bench file names a pair (pair = "NAME") and says how its boards are reached. For real boards '
            '(kind = "ports") that is all; for modelled ones it may add the physics, and there a line may really lead '
            "elsewhere than declared.",
        ),
    ))  # fmt: skip


def _benches() -> str:
    told = {
        "sim": "a modelled pair: no hardware, no toolchain; for practice, faults and accuracy",
        "avr": "the compiled firmware on simulated chips with the same modelled parts round them",
        "ports": "the boards plugged in here, found by their answers",
        "FILE": "a bench file (TOML): a pair, how it is reached, the physics of a modelled one; "
        "`benchctl bench keys` lists them",
    }
    return _table(told) + "\n" + _paragraphs(
        "Benches with a fault in them, to see what it looks like, are shipped too; `benchctl bench keys` names them."
    )  # fmt: skip


def _procedures() -> str:
    names = ", ".join(shipped.procedures())
    return _paragraphs(
        f"Shipped: {names}. `benchctl procedures` says what each is for. A file of your own is TOML: a title, and one "
        "[[stage]] table per stage with its kind, its parameters and its limits; copy a shipped one to begin with.",
        'Stage kinds of your own come from a module beside the file: modules = ["fan.py"]; see `benchctl help python`.',
        "--answers FILE holds a table per stage, action = answer, for runs that nobody attends. Counts of blinks and "
        "words shown once cannot be answered from a file: they prove that somebody is there.",
    )


def _comparing() -> str:
    return _paragraphs(
        "`benchctl compare REFERENCE NEW` goes reading by reading: same, better, worse or undecided, within the "
        "procedure's margins and corrected for the number of readings; under a reading stand the values of both runs, "
        "to one scale. Runs of different procedures or kinds of bench are refused; other boards, images or bench files "
        "are said.",
        "`benchctl run regression --reference RUN` runs and compares: three quarters of the samples, then, where "
        "something is still open, all of them anew, put together with the first. It looks again only at what is open; "
        'each look has half of the 5 % that a false "worse" may have.',
        "`benchctl reference set RUN --line NAME` keeps a reference for the labels of its boards and a line of "
        "firmware; then --reference needs no name.",
    )


def _over_air() -> str:
    return _paragraphs(
        "With one cable only: plug it into the craft once, with `air_reach = 1` under [board.craft.settings] of its "
        'pair file, which the identity stage stores in the board. From then on a bench file with `via = "hand"` '
        "under [board.craft] reaches it over the air through the hand unit, also while it is on its battery.",
        "Whatever drives a motor is not run so: the board refuses to arm over the air. A stage that needs the "
        "transceiver for itself is not run either, and says why. A stop is taken past everything queued.",
    )


def _motors() -> str:
    return _paragraphs(
        "What the pair file says of each motor output (idle_us, full_us, ways, place, turns) is told to the board with "
        "the motors' battery unplugged, and confirmed by a careful pulse at each output: the outputs stage of every "
        "procedure that moves anything. Any change of it makes all outputs silent until they are confirmed anew.",
        "The cap is 20 % of full throttle, on the board too. For up to 30 %, set cap in the ramp of an own procedure, "
        "and cap_permille = 300 under [board.craft.settings] of the pair file; one attestation more is asked for.",
        "A controller that never arms, or turns at the idle pulse, has end points of its own. `benchctl run "
        "teach-motors` teaches it: battery off and attested, full throttle goes out, only then the battery, its "
        "tones, then idle (a reversible one: full backwards, then neutral). Do what is asked, when it is asked. A stop "
        "before idle takes the pulses away. Controllers that are taught in another way: as their manual says.",
    )


def _own_firmware() -> str:
    return _paragraphs(
        "A pair that runs its maker's own firmware is measured in two ways.",
        "From outside: a third board with the gauge's image (`benchctl flash PORT --role gauge`), wired as "
        "`benchctl bench wiring black-box` draws it. "
        "`benchctl run black-box` then measures any firmware of a pair, on real boards, or on "
        "the bench black-box with two images (--image hand=HAND.elf --image craft=CRAFT.elf). "
        "firmware_probe/examples/black_box.sh does that on every commit of a firmware's own repository, against the "
        "images of before where it is given them.",
        "From inside: the probe as a library. `make -C firmware_probe/marks sketch TO=FOLDER` puts its files beside "
        "a sketch, `library` in place of `sketch TO=FOLDER` makes a folder that the usual IDE takes. The sketch calls "
        "PROBE_BEGIN once and PROBE_POLL in its loop, and marks what happens (PROBE_SWITCH, PROBE_QUEUED, "
        "PROBE_RECEIVED, PROBE_LED and others in probe_mark.h; marked_pair/ shows them in use). A mark takes at most "
        "40 cycles; with PROBE_ON 0 the image is the same to the byte as without a line of it. A link test borrows "
        "the transceiver and gives it back with every register as it was. Then: `benchctl run own-sketch`.",
    )


def _python() -> str:
    from benchctl.library.guide import PYTHON

    return PYTHON


def _pytest() -> str:
    from benchctl.library.guide import PYTEST

    return PYTEST


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
    "pairs": ("what --pair takes: what is soldered", _pairs),
    "benches": ("what --bench takes", _benches),
    "procedures": ("what PROCEDURE takes; answers from a file", _procedures),
    "comparing": ("did a change of firmware make anything worse?", _comparing),
    "motors": ("pulses, caps, end points of motor controllers", _motors),
    "over-the-air": ("a board without a cable", _over_air),
    "own-firmware": ("a pair that runs firmware of its maker's", _own_firmware),
    "python": ("the library, and stages of your own", _python),
    "pytest": ("fixtures for tests of your own", _pytest),
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
