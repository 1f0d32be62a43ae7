"""The command line: arguments to calls, exit codes. Heavy things are imported by the command that needs them."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchctl import __version__
from benchctl.errors import BenchctlError, UsageError

if TYPE_CHECKING:
    from benchctl.operate import Operation
    from benchctl.terms import Role

_EXAMPLES = """\
examples:
  benchctl                                    open the terminal UI
  benchctl run bring-up                       rehearse the whole bring-up on the simulated Mudlark pair
  benchctl run radio-link --bench avr         the real firmware, inside the AVR simulator
  benchctl run bring-up --bench ports         two real boards, whichever ports they are on
  benchctl run radio-link --seed 7 --json     one JSON object on standard output
  benchctl boards                             which ports there are and who answers

exit codes: 0 pass, 1 fail, 2 wrong usage or input, 3 not decided
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    parser = _parser()
    try:
        arguments = parser.parse_args(argv)
        command: Callable[[argparse.Namespace], int] = arguments.command
        return command(arguments)
    except BenchctlError as e:
        print(f"benchctl: {e}", file=sys.stderr)
        return e.exit_code
    except BrokenPipeError:
        # the reader of our output is gone (`| head`); nothing more to say to anybody
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 3
    except KeyboardInterrupt:
        print("benchctl: stopped", file=sys.stderr)
        return 3


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchctl",
        description="Brings up a hand-soldered pair of radio-control boards: staged, safe, in numbers.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"benchctl {__version__}")
    parser.set_defaults(command=_ui)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    _add_run(commands)
    _add_report(commands)
    return parser


def _add_run(commands: Any) -> None:
    run = commands.add_parser(
        "run",
        help="run a procedure without the terminal UI",
        description="Run a procedure on a bench, with progress on standard error.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    run.add_argument("procedure", metavar="PROCEDURE", help="a file, or the name of a shipped procedure")
    run.add_argument("--bench", default="sim", help="sim (default), avr, ports, or a bench file")
    run.add_argument("--kind", choices=("sim", "avr"), help="open the bench file as this kind")
    run.add_argument("--seed", type=int, help="of all chance on a simulated bench")
    run.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
    run.add_argument("--out", type=Path, metavar="DIR", help="keep the run's folder under DIR")
    run.add_argument("--only", action="append", metavar="STAGE", help="only this stage and what it needs; repeatable")
    run.add_argument("--label", action="append", default=[], metavar="ROLE=LABEL", help="the label a board must have")
    run.add_argument("--image", action="append", default=[], metavar="ROLE=FILE", help="firmware for the avr bench")
    run.add_argument("--answers", type=Path, metavar="FILE", help="answers to prompts, from a TOML file")
    run.add_argument("--nobody", action="store_true", help="no operator: stages that need one are not run")
    run.add_argument("--quiet", action="store_true", help="no progress lines")
    run.set_defaults(command=_run)


def _add_report(commands: Any) -> None:
    report = commands.add_parser("report", help="render the report of a recorded run")
    report.add_argument("run", metavar="RUN", help="a run folder, or its name")
    formats = ("text", "html", "json", "junit", "tap")
    report.add_argument("--format", choices=formats, default="text", help="text (default), html, json, junit or tap")
    report.add_argument("--out", type=Path, metavar="FILE", help="write to FILE instead of standard output")
    report.add_argument("--runs", type=Path, metavar="DIR", help="where runs are kept")
    report.set_defaults(command=_report)


def _by_role(items: Sequence[str], option: str) -> dict[Role, str]:
    """ROLE=TEXT options as a mapping. Raises UsageError naming the option."""
    from benchctl.terms import Role

    out = {}
    for item in items:
        role, equals, text = item.partition("=")
        if not equals or role not in set(Role) or not text:
            raise UsageError(f"{option} {item}: expected ROLE=… with ROLE one of {', '.join(Role)}")
        out[Role(role)] = text
    return out


def _run(arguments: argparse.Namespace) -> int:
    from benchctl import benches, shipped
    from benchctl.headless import Lines, choose_operator
    from benchctl.operate import Operation, default_root
    from benchctl.procedure.file import load

    procedure = load(shipped.procedure(arguments.procedure))
    if arguments.only:
        procedure = procedure.only(arguments.only)
    labels, images = _by_role(arguments.label, "--label"), _by_role(arguments.image, "--image")
    bench = benches.open_bench(arguments.bench, kind=arguments.kind, seed=arguments.seed, labels=labels, images=images)
    try:
        operator = choose_operator(bench, arguments.answers, arguments.nobody)
        readers = [] if arguments.quiet else [Lines(sys.stderr)]
        operation = Operation(procedure, bench, arguments.out or default_root(), operator=operator, readers=readers)
        _stop_on_signals(operation)
        result = operation.perform()
    finally:
        bench.close()
    if arguments.json:
        from benchctl.report.as_json import render

        print(render(result.summary))
    if result.error:
        print(f"benchctl: {result.error}", file=sys.stderr)
    if not arguments.quiet:
        print(f"recorded in {result.folder}", file=sys.stderr)
    return result.exit_code


def _stop_on_signals(operation: Operation) -> None:
    """Ctrl-C, a closed terminal and a polite kill all stop the run, at once."""

    def stop(number: int, frame: object) -> None:
        operation.stop("closed" if number == getattr(signal, "SIGHUP", None) else "signal")

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)


def _report(arguments: argparse.Namespace) -> int:
    from benchctl.operate import default_root
    from benchctl.report.write import render_run

    folder = Path(arguments.run)
    if not folder.is_dir():
        folder = (arguments.runs or default_root()) / arguments.run
    text = render_run(folder, arguments.format)
    if arguments.out is None:
        print(text)
        return 0
    try:
        arguments.out.write_text(text, "utf-8")
    except OSError as e:
        raise UsageError(f"--out {arguments.out}: cannot be written ({e.strerror or e})") from e
    return 0


def _ui(arguments: argparse.Namespace) -> int:
    from benchctl.tui.app import main as ui_main

    return ui_main()
