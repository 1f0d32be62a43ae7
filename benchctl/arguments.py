"""The command line: arguments to calls, exit codes. Heavy things are imported by the command that needs them."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import textwrap
import traceback
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

from benchctl import __version__, completion, manual
from benchctl.errors import BenchctlError, UsageError, exit_code, sentence
from benchctl.terms import Role


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence, as every other bad input is answered."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}; see `{self.prog} --help`")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a sign that the terminal's encoding lacks ends no run
    parser = _parser()
    words = list(sys.argv[1:] if argv is None else argv)
    # before anything is parsed: what cannot be parsed is told as an object too
    arguments = argparse.Namespace(json="--json" in words, runs_one=words[:1] == ["run"])
    try:
        parser.parse_args(words, arguments)
        command: Callable[[argparse.Namespace], int] = arguments.command
        return command(arguments)
    except BenchctlError as e:
        return _give_up(arguments, e)
    except BrokenPipeError:
        # the reader of our output is gone (`| head`); nothing more to say to anybody
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 3
    except OSError as e:
        return _tell(arguments, f"{e.filename or 'the system'}: {e.strerror or e}", 3)
    except KeyboardInterrupt:
        return _tell(arguments, "stopped", 3)
    except Exception as e:
        traceback.print_exc()  # for who looks for the fault; the sentence below is for everybody
        return _give_up(arguments, e)


def _give_up(arguments: argparse.Namespace, trouble: Exception) -> int:
    return _tell(arguments, sentence(trouble), exit_code(trouble))


def _tell(arguments: argparse.Namespace, text: str, code: int) -> int:
    """Say a sentence; a command that was to print an object prints it in one."""
    print(f"benchctl: {text}", file=sys.stderr)
    if arguments.json:
        from benchctl.report.as_json import refused

        print(refused(text, code, run=arguments.runs_one), end="")
    return code


def _to(name: str) -> Callable[[argparse.Namespace], int]:
    """The function "module.name", imported when it is called; without a module it is of `commands`."""

    def call(arguments: argparse.Namespace) -> int:
        module, _, inner = name.rpartition(".")
        found = importlib.import_module(f"benchctl.{module or 'commands'}")
        function: Callable[[argparse.Namespace], int] = getattr(found, inner)
        return function(arguments)

    return call


def _ui(arguments: argparse.Namespace) -> int:
    from benchctl.tui.app import main as ui_main

    return ui_main()


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a whole number, got {text!r}") from None


def _count(text: str) -> int:
    number = _whole(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1, got {text!r}")
    return number


def _day(text: str) -> str:
    """A date, or a moment, in ISO 8601; as records have it, in UTC."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a date as in 2026-03-14, got {text!r}") from None
    return (moment.astimezone(UTC) if moment.tzinfo else moment).strftime("%Y-%m-%dT%H:%M:%SZ")


def _bench(text: str) -> str:
    """Who writes the kind of a bench of real boards means whatever is plugged in."""
    return "ports" if text == "serial" else text


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="benchctl",
        description="Brings up a hand-soldered pair of radio-control boards: staged, safe, in numbers.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"benchctl {__version__}")
    parser.set_defaults(command=_ui)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    _add_run(commands)
    _add_records(commands)
    _add_boards(commands)
    _add_completion(commands, parser)
    _add_help(commands, parser)
    for name, command in _commands(parser):
        command.description = textwrap.fill(command.description or "", 78)
        command.epilog = manual.epilog(name) if name in manual.EXAMPLES else None  # none where it only groups others
    return parser


def _commands(parser: argparse.ArgumentParser, name: str = "") -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """The parser and those of its commands and their commands, by name."""
    yield name, parser
    for action in [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]:
        for word, command in action.choices.items():
            yield from _commands(command, f"{name} {word}".strip())


def _add_help(commands: Any, whole: argparse.ArgumentParser) -> None:
    help_ = commands.add_parser(
        "help",
        help="print the manual, a topic of it, or a command's help",
        description=f"Print the manual, or one of its topics ({', '.join(manual.TOPICS)}), or a command's help.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    help_.add_argument("topic", nargs="*", metavar="TOPIC", help="a topic or a command; left out: all topics")

    def show(arguments: argparse.Namespace) -> int:
        wanted = " ".join(arguments.topic)
        found = dict(_commands(whole)).get(wanted) if wanted and wanted not in manual.TOPICS else None
        print(found.format_help() if found else manual.topic(wanted) if wanted else manual.whole(), end="")
        return 0

    help_.set_defaults(command=show)


def _add_completion(commands: Any, whole: argparse.ArgumentParser) -> None:
    parser = commands.add_parser(
        "completion",
        help="print the completion script of a shell",
        description="Print the completion script of a shell, to be sourced or put where the shell looks for it.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("shell", choices=completion.SHELLS)

    def show(arguments: argparse.Namespace) -> int:
        print(completion.script(whole, [parser for _, parser in _commands(whole)], arguments.shell))
        return 0

    parser.set_defaults(command=show)


def _command(commands: Any, name: str, text: str, function: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=text[0].lower() + text[1:].rstrip("."),
        description=text,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(command=_to(function))
    return parser


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")


def _add_bench(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--kind", choices=("sim", "avr"), help="open the bench file as this kind")
    parser.add_argument("--seed", type=_whole, help="of all chance on a simulated bench")


def _add_pair(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--pair", default="", metavar="PAIR", help="what is soldered: a pair's name (`benchctl pairs`) or a pair file"
    )


def _add_run(commands: Any) -> None:
    run = _command(commands, "run", "Run a procedure without the terminal UI.", "run")
    run.add_argument("procedure", metavar="PROCEDURE", help="a file, or the name of a shipped procedure")
    run.add_argument("--bench", type=_bench, help="sim (default), avr, ports, a shipped bench, or a bench file")
    _add_pair(run)
    _add_bench(run)
    _add_json(run)
    run.add_argument("--out", type=Path, metavar="DIR", help="keep the run's folder under DIR")
    run.add_argument("--only", action="append", metavar="STAGE", help="only this stage and what it needs; repeatable")
    run.add_argument("--label", action="append", default=[], metavar="ROLE=LABEL", help="the label a board must have")
    run.add_argument("--image", action="append", default=[], metavar="ROLE=FILE", help="firmware for the avr bench")
    run.add_argument("--answers", type=Path, metavar="FILE", help="answers to prompts, from a TOML file")
    run.add_argument("--nobody", action="store_true", help="no operator: stages that need one are not run")
    run.add_argument("--hunt", action="store_true", help="add the load hunt when it would tell the causes apart")
    told = run.add_mutually_exclusive_group()
    told.add_argument("-v", "--verbose", action="store_true", help="every reading, note and answer as it comes")
    told.add_argument("--quiet", action="store_true", help="nothing but the six lines at the end")
    run.add_argument(
        "--reference", nargs="?", const="kept", metavar="RUN", help="compare with RUN, or with the kept reference"
    )
    run.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML to FILE; with --reference of both")
    run.add_argument("--line", default="probe", metavar="NAME", help="firmware line of the kept reference (probe)")
    _add_json(_command(commands, "procedures", "List the shipped procedures.", "list_commands.procedures"))


def _add_records(commands: Any) -> None:
    report = _command(commands, "report", "Render the report of a recorded run.", "report")
    formats = ("text", "html", "certificate", "json", "junit", "tap")
    report.add_argument(
        "--format",
        choices=formats,
        default="text",
        help="text (default), html, certificate (one page), json, junit or tap",
    )
    report.add_argument("--out", type=Path, metavar="FILE", help="write to FILE instead of standard output")
    findings = _command(commands, "findings", "Say what a recorded run points to, and why.", "findings")
    label = _command(commands, "label", "Make a board's sticker from a run.", "label")
    label.add_argument("--board", required=True, metavar="LABEL", help="label or role of the board")
    label.add_argument("--svg", action="store_true", help="an SVG of 54 by 25 mm instead of text")
    label.add_argument("--out", type=Path, metavar="FILE", help="write to FILE instead of standard output")
    for parser in (report, findings, label):
        parser.add_argument("run", metavar="RUN", help='a run folder, its name, or "last"')
    compare = _command(commands, "compare", "Compare a run with its reference, reading by reading.", "compare")
    compare.add_argument("reference", metavar="REFERENCE", help="the run to compare with")
    compare.add_argument("new", metavar="NEW", help="the new run")
    compare.add_argument("--all", action="store_true", help="also readings that are the same or only inform")
    for form, what in (("html", "a page with both runs' distributions"), ("junit", "JUnit XML, a case per reading")):
        compare.add_argument(f"--{form}", type=Path, metavar="FILE", help=f"also write {what} to FILE")
    keep, show = _add_reference(commands)
    runs = _command(
        commands, "runs", "List recorded runs, and the batch: verdicts, yield, causes.", "list_commands.runs"
    )
    runs.add_argument("--procedure", help="only runs of this procedure")
    runs.add_argument("--board", metavar="LABEL", help="only runs of this board")
    runs.add_argument("--verdict", choices=("pass", "fail", "undecided"), help="only runs that ended so")
    runs.add_argument("--cause", metavar="CAUSE", help="only runs that point to this cause, named as in JSON reports")
    for option, what in (("since", "begun on or after"), ("until", "begun before")):
        runs.add_argument(f"--{option}", type=_day, metavar="DATE", help=f"only runs {what} it, UTC, as in 2026-03-14")
    runs.add_argument("--most", type=_count, metavar="N", help="at most N runs (20; of a table or an object all)")
    for form in ("csv", "parquet"):
        runs.add_argument(f"--{form}", type=Path, metavar="FILE", help=f"write them to FILE as {form}, a row a run")
    for parser in (findings, compare, runs):
        _add_json(parser)
    runs.add_argument("--html", type=Path, metavar="FILE", help="also write the batch as a page to FILE")
    for parser in (report, findings, label, runs, compare, keep, show):
        parser.add_argument("--runs", type=Path, metavar="DIR", help="where runs are kept")


def _add_reference(commands: Any) -> tuple[argparse.ArgumentParser, argparse.ArgumentParser]:
    reference = commands.add_parser("reference", help="which run the later runs of a board are compared with")
    inner = reference.add_subparsers(title="commands", metavar="COMMAND", required=True)
    keep = _command(inner, "set", "Make a run the reference of its boards.", "reference_set")
    keep.add_argument("run", metavar="RUN", help='a run\'s name where runs are kept, or "last"')
    keep.add_argument("--line", default="probe", metavar="NAME", help="firmware line (probe)")
    return keep, _command(inner, "show", "List the kept references.", "reference_show")


def _add_boards(commands: Any) -> None:
    _add_json(_command(commands, "boards", "List serial ports and who answers on each.", "list_commands.boards"))
    _command(
        commands,
        "pairs",
        "List the pair files that --pair can name: yours and the shipped ones.",
        "bench_commands.pairs",
    )
    flash = _command(commands, "flash", "Put the probe firmware on a board.", "flash")
    flash.add_argument("port", metavar="PORT", help="the board's serial port")
    flash.add_argument("--mhz", type=int, choices=(8, 16), help="the board's clock; found out where it is left out")
    flash.add_argument("--role", choices=[str(r) for r in Role], help="left out: as the board was told, or of a pair")
    flash.add_argument("--image", type=Path, metavar="FILE", help="another image, Intel HEX or ELF")
    bench = commands.add_parser(
        "bench", help="serve a simulated bench, show its jumpers, or list the keys of a bench file"
    )
    inner = bench.add_subparsers(title="commands", metavar="COMMAND", required=True)
    serve = _command(
        inner, "serve", "Offer a simulated bench's boards as serial ports, until Ctrl-C.", "bench_commands.serve"
    )
    serve.add_argument("bench", nargs="?", default="sim", metavar="BENCH", help="sim (default), avr, or a bench file")
    _add_bench(serve)
    _add_pair(serve)
    serve.add_argument("--tcp", action="store_true", help="TCP ports instead of pseudo-terminals")
    serve.add_argument("--folder", type=Path, metavar="DIR", help="names for the ports and a bench file, in DIR")
    serve.add_argument("--no-reset", action="store_true", help="opening a port does not reset its board")
    wiring = _command(
        inner, "wiring", "The jumpers between a bench's boards, drawn and listed.", "bench_commands.bench_wiring"
    )
    wiring.add_argument("bench", nargs="?", metavar="BENCH", help="a shipped bench such as black-box, or a bench file")
    _add_pair(wiring)
    keys = "Every key of pair and bench files, with unit, range, default and meaning."
    _command(inner, "keys", keys, "bench_commands.bench_keys")
