"""What each command of the command line does. Each function takes parsed arguments and returns the exit code."""

from __future__ import annotations

import argparse
import functools
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchctl.errors import UsageError, exit_code, sentence

if TYPE_CHECKING:
    from benchctl.bench import Bench
    from benchctl.compare import Comparison
    from benchctl.operate import Operation
    from benchctl.procedure.file import Procedure
    from benchctl.report.overlay import Overlay
    from benchctl.runs.summary import Summary
    from benchctl.terms import Role


def by_role(items: Sequence[str], option: str) -> dict[Role, str]:
    """ROLE=TEXT options as a mapping. Raises UsageError naming the option."""
    from benchctl.terms import Role

    out = {}
    for item in items:
        role, equals, text = item.partition("=")
        if not equals or role not in set(Role) or not text:
            raise UsageError(f"{option} {item}: expected ROLE=… with ROLE one of {', '.join(Role)}")
        out[Role(role)] = text
    return out


def labels_by_role(items: Sequence[str]) -> dict[Role, str]:
    """The --label options, each a label as a board can keep it. Raises UsageError."""
    from benchctl.wire.fields import MOST_TEXT

    labels = by_role(items, "--label")
    for role, text in labels.items():
        if len(text.encode("utf-8", "surrogateescape")) > MOST_TEXT or not text.isprintable():
            raise UsageError(
                f"--label {role}={text!r}: expected a label of at most {MOST_TEXT} bytes without control characters"
            )
    if len(set(labels.values())) < len(labels):
        raise UsageError("--label: two boards with one label; expected another label for each")
    return labels


def refuse_what_a_real_bench_lacks(arguments: argparse.Namespace) -> None:
    """`ports` is whatever is plugged in: another kind, a seed or an image is for simulated benches."""
    for option in ("kind", "seed", "image"):
        if arguments.bench == "ports" and getattr(arguments, option, None) not in (None, []):
            raise UsageError(f"--{option}: expected a simulated bench to go with it; ports are real boards")


def refuse_roles_that_are_not_there(bench: Bench, option: str, roles: Iterable[Role]) -> None:
    """Raises UsageError for a role that a simulated bench has not."""
    for role in roles:
        if bench.simulated and role not in bench.boards:
            there = ", ".join(bench.boards)
            raise UsageError(f"{option} {role}: bench {bench.name} has no {role} board; it has {there}")


def out_root(given: Path | None) -> Path:
    """Where a run's folder goes. Raises UsageError when the folder that was named cannot be made or written."""
    from benchctl.operate import default_root

    if given is None:
        return default_root()
    try:
        given.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise UsageError(f"--out {given}: expected a folder, or a place to make one ({e.strerror or e})") from e
    if not os.access(given, os.W_OK):
        raise UsageError(f"--out {given}: expected a folder that can be written")
    return given


def root_of(arguments: argparse.Namespace) -> Path:
    """Where runs are kept: as the option says, or the usual place."""
    from benchctl.operate import default_root

    return arguments.runs or default_root()


def run_folder(arguments: argparse.Namespace, name: str) -> Path:
    """A run by its folder, or by its name below the usual place; "last" is the newest."""
    from benchctl.runs.folder import list_runs

    if os.path.isdir(name):
        return Path(name)
    root = root_of(arguments)
    if name == "last":
        runs = list_runs(root)
        if not runs:
            raise UsageError(f"no run is kept in {root}")
        # names tell the second; of runs within one, the folder that was written to later
        return max(runs, key=lambda p: (p.name[:15], p.stat().st_mtime_ns))
    return root / name


def read_summary(folder: Path) -> Summary:
    """A recorded run. Raises UsageError for a folder that is none."""
    from benchctl.runs.log import read
    from benchctl.runs.summary import summarise

    log = read(folder)
    summary = summarise(log.events)
    summary.close(log.missing)
    return summary


def report(arguments: argparse.Namespace) -> int:
    """Print or write a report of a run."""
    from benchctl.report.write import render_run

    text = render_run(run_folder(arguments, arguments.run), arguments.format)
    if arguments.out is None:
        print(text, end="" if text.endswith("\n") else "\n")
        return 0
    write_out("--out", arguments.out, text)
    return 0


def findings(arguments: argparse.Namespace) -> int:
    """The causes that a recorded run points to, with what speaks for and against each."""
    summary = read_summary(run_folder(arguments, arguments.run))
    if arguments.json:
        from benchctl.report.as_json import findings as as_objects
        from benchctl.report.as_json import written

        print(written({"run": summary.run, "findings": as_objects(summary)}), end="")
        return 0
    if not summary.findings:
        print("no finding: no stage of this run failed, and nothing seen points to a fault")
    for f in summary.findings:
        where = f" ({f.board})" if f.board else ""
        print(f"{f.rank}. {f.title}{where}")
        print(f"     remedy:  {f.remedy}")
        print(f"     sure:    {100 * f.confidence:.0f} %")
        for line in f.evidence:
            print(f"     for:     {line}")
        for line in f.against:
            print(f"     against: {line}")
        if f.explanation:
            print(f"     what:    {f.explanation}")
        if f.next_test:
            print(f"     next:    {f.next_test}")
    return 0


def compare(arguments: argparse.Namespace) -> int:
    """Two runs, reading by reading; exit codes as for a run."""
    from benchctl.compare import compare as compare_runs
    from benchctl.report.overlay import overlays
    from benchctl.runs.tables import Tables

    folders = [run_folder(arguments, name) for name in (arguments.reference, arguments.new)]
    reference, new = (read_summary(f) for f in folders)
    found = compare_runs(reference, new)
    both = overlays(found.rows, (reference, Tables(folders[0])), [(new, Tables(folders[1]))])
    if arguments.html is not None:
        from benchctl.report.compared import html

        write_out("--html", arguments.html, html(found, both))
    if arguments.junit is not None:
        from benchctl.report.compared import junit

        write_out("--junit", arguments.junit, junit(found, new))
    if not arguments.json:
        return print_comparison(found, arguments.all, both)
    from benchctl.compare import as_json
    from benchctl.report.as_json import written

    print(written(as_json(found)), end="")
    return found.verdict.exit_code


def write_out(option: str, path: Path, text: str) -> None:
    """Raises UsageError when the file that was named cannot be written."""
    try:
        path.write_text(text, "utf-8")
    except OSError as e:
        raise UsageError(f"{option} {path}: cannot be written ({e.strerror or e})") from e


def reference_set(arguments: argparse.Namespace) -> int:
    """The run becomes what later runs of the same boards, of one firmware line, are compared with."""
    from benchctl.runs.history import References

    folder = run_folder(arguments, arguments.run)
    if folder.resolve().parent != root_of(arguments).resolve():
        raise UsageError(f"{folder}: expected a run that is kept in {root_of(arguments)}")
    summary = read_summary(folder)
    labels = {**summary.labels, **{str(role): b.label for role, b in summary.boards.items() if b.label}}
    if not labels:
        raise UsageError(f"{folder}: expected a run whose boards have labels")
    for label in labels.values():
        References(root_of(arguments)).set(label, arguments.line, folder.name)
        print(f"{label}, {arguments.line}: {folder.name}")
    return 0


def reference_show(arguments: argparse.Namespace) -> int:
    """List the references that are kept."""
    from benchctl.runs.history import References

    kept = References(root_of(arguments)).all()
    for (label, line), name in sorted(kept.items()):
        print(f"{label}, {line}: {name}")
    if not kept:
        print("no reference is kept yet; `benchctl reference set RUN` keeps one")
    return 0


def chosen_reference(arguments: argparse.Namespace, bench: Bench, root: Path) -> Path:
    """The run that --reference names, or the one kept for the bench's boards. Raises UsageError."""
    from benchctl.runs.history import References

    if arguments.reference != "kept":
        given = Path(arguments.reference)
        return given if given.is_dir() else root / arguments.reference
    references, labels = References(root), [b.wiring.label for b in bench.boards.values()]
    found = {references.get(label, arguments.line) for label in labels}
    if len(found) != 1 or None in found:
        which = ", ".join(labels)
        raise UsageError(
            f"--reference: expected one kept reference of line {arguments.line} for {which}; "
            f"`benchctl reference set RUN` keeps one, or name the run"
        )
    return root / str(found.pop())


def print_comparison(found: Comparison, everything: bool, both: Sequence[Overlay] = ()) -> int:
    """A comparison as text; returns its exit code."""
    from benchctl.analysis.equivalence import Outcome
    from benchctl.compare import undecided_why
    from benchctl.report.compared import SIGNS, counts, grouped, shown_margin
    from benchctl.units import quantity

    for which, run, side in zip(("reference", "new run"), (found.reference, found.new), found.sides, strict=True):
        print(f"{which:<9} {run}, {side}")
    for text in found.ended():
        print(f"! {text}")
    for difference in found.differences:
        print(f"· {difference}")
    drawn: set[int] = set()
    for row in (row for _, rows in grouped(found) for row in rows):
        if not everything and row.outcome not in (Outcome.WORSE, Outcome.BETTER, Outcome.UNDECIDED):
            continue
        margin = f", margin {quantity(shown_margin(row), row.new.unit, 3)}" if row.evidence else ", informs only"
        word, values = row.outcome or "–", f"{row.reference.text()} → {row.new.text()}"
        print(f"{SIGNS[row.outcome]} {word:<9} {found.title(row.stage)}: {row.new.called}: {values}{margin}")
        if why := undecided_why(row, found.alpha):
            print(f"            {why}")
        for i, overlay in enumerate(both):
            if i not in drawn and overlay.stage == row.stage and row.new.name in overlay.readings:
                drawn.add(i)
                for line in overlay.lines(66):
                    print(f"            {line}")
    for text in found.gone():
        print(f"? missing   {text}")
    print(f"{found.verdict.sign} {found.verdict}: {counts(found)}")
    return found.verdict.exit_code


def flash(arguments: argparse.Namespace) -> int:
    """Program a board; returns the exit code."""
    from benchctl.flash import flash as program
    from benchctl.flash import flash_probe
    from benchctl.terms import Role

    last = ""

    def progress(phase: str, done: float) -> None:
        nonlocal last
        line = f"{phase} {100 * done:3.0f} %"
        if line != last:
            print(f"\r{line:<40}", end="", file=sys.stderr, flush=True)
            last = line

    try:
        if arguments.image is not None:
            result = program(arguments.port, arguments.image, progress, is_probe=False)
        else:
            role = None if arguments.role is None else Role(arguments.role)
            result = flash_probe(arguments.port, arguments.mhz, progress, role=role)
    finally:
        if last:
            print(file=sys.stderr)
    told = f", board {result.identity.label or 'without label'}" if result.identity else ""
    print(f"{arguments.port}: programmed at {result.speed} Bd, image {result.image_crc}{told}")
    if result.loader_loops:
        print(
            "its boot loader never comes back from a reset by the watchdog: what restarts the board does without; "
            "where a program hangs, switch its supply off and on; a newer boot loader mends it"
        )
    return 0


def label(arguments: argparse.Namespace) -> int:
    """A sticker for a board: its name, its state, and a code that leads back to the run."""
    from benchctl.report import sticker

    summary = read_summary(run_folder(arguments, arguments.run))
    board = sticker.chosen(summary, arguments.board)
    text = sticker.as_svg(summary, board) if arguments.svg else sticker.as_lines(summary, board)
    if arguments.out is None:
        print(text)
        return 0
    write_out("--out", arguments.out, text)
    return 0


def run(arguments: argparse.Namespace) -> int:
    """Perform a procedure and print its progress; returns the exit code."""
    from benchctl import benches, preferences, shipped
    from benchctl.headless import Lines, choose_operator, closing
    from benchctl.operate import PAIR_FILE, Operation
    from benchctl.procedure.file import load
    from benchctl.report.as_pair import kept_drawing
    from benchctl.signals import on_signals

    arguments.bench = preferences.load().bench if arguments.bench is None else arguments.bench
    procedure = load(shipped.procedure(arguments.procedure))
    if arguments.only:
        procedure = procedure.only(arguments.only)
    labels, images = labels_by_role(arguments.label), by_role(arguments.image, "--image")
    refuse_what_a_real_bench_lacks(arguments)
    root = out_root(arguments.out)
    lines = None if arguments.quiet else Lines(sys.stderr, verbose=arguments.verbose)
    stops: list[str] = []
    made: list[Operation] = []

    def stop(by: str) -> None:
        """At any moment; while the bench is being opened it holds for the run that would follow."""
        stops.append(by)
        if made:
            made[-1].stop(by)
        elif lines is not None:
            lines.line(f"! stopping ({by}): the bench is still being opened, no board has been told anything")

    on_signals(stop)
    bench = benches.open_bench(
        arguments.bench, kind=arguments.kind, seed=arguments.seed, labels=labels, images=images, pair=arguments.pair,
        unspoken=procedure.finds, unplugged=procedure.unplugged,
    )  # fmt: skip
    try:
        refuse_roles_that_are_not_there(bench, "--label", labels)
        refuse_roles_that_are_not_there(bench, "--image", images)
        say = lines.line if lines is not None else functools.partial(print, file=sys.stderr)
        operator = choose_operator(bench, arguments.answers, arguments.nobody, say)
        readers = [] if lines is None else [lines]

        def make(wanted: Procedure) -> Operation:
            operation = Operation(wanted, bench, root, operator=operator, readers=readers, hunt=arguments.hunt)
            made.append(operation)
            if stops:
                operation.stop(stops[0])
            return operation

        if arguments.reference is not None:
            folder = chosen_reference(arguments, bench, root)
            return run_against_reference(arguments, procedure, folder, make, bench.kind)
        result = make(procedure).perform()
        if lines is not None and procedure.finds:
            lines.drawing(kept_drawing(result.folder / PAIR_FILE))
    except Exception as e:
        if arguments.json and made and arguments.reference is None:
            arguments.json = False  # said here, with all that was found by then
            print_run(made[-1].summary, sentence(e), exit_code(e))
        raise
    finally:
        bench.close()
        if lines is not None:
            lines.close()
    if arguments.junit is not None:
        from benchctl.report.as_junit import render as as_junit

        write_out("--junit", arguments.junit, as_junit(result.summary))
    if arguments.json:
        print_run(result.summary, result.error, result.exit_code)
    else:
        print("\n".join(closing(result.summary, result.folder)))
    if result.error:
        print(f"benchctl: {result.error}", file=sys.stderr)
    return result.exit_code


def print_run(summary: Summary, reason: str, code: int, **more: object) -> None:
    """A run as JSON; more: what a comparison with a reference adds."""
    from benchctl.report.as_json import ended, render

    print(render(summary, **ended(reason, code), **more), end="")


def run_against_reference(
    arguments: argparse.Namespace, procedure: Procedure, folder: Path, make: Callable[[Procedure], Operation], kind: str
) -> int:
    """Run, compare, take more samples where the answer is open; exit codes as for a run."""
    from benchctl.compare import refuse_unlike
    from benchctl.regression import regress
    from benchctl.report.compared import junit
    from benchctl.report.overlay import overlays
    from benchctl.runs.tables import Tables

    reference = read_summary(folder)
    refuse_unlike(reference, procedure.name, kind)
    done = regress(procedure, reference, make)
    if arguments.junit is not None:
        write_out("--junit", arguments.junit, junit(done.comparison, done.results[-1].summary))
    if arguments.json:
        from benchctl.compare import as_json

        reason = next((r.error for r in done.results if r.error), "")
        looks = [r.summary.run for r in done.results]
        compared = {"comparison": as_json(done.comparison), "looks": looks}
        print_run(done.results[-1].summary, reason, done.exit_code, **compared)
    else:
        news = [(r.summary, Tables(r.folder)) for r in done.results]
        both = overlays(done.comparison.rows, (reference, Tables(folder)), news)
        print_comparison(done.comparison, False, both)
    for result in done.results:
        if result.error:
            print(f"benchctl: {result.error}", file=sys.stderr)
        if not arguments.quiet:
            print(f"recorded in {result.folder}", file=sys.stderr)
    return done.exit_code
