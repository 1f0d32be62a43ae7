"""What each command of the command line does. Each function takes parsed arguments and returns the exit code."""

from __future__ import annotations

import argparse
import os
import sys
import threading
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
    labels = by_role(items, "--label")
    for role, text in labels.items():
        if len(text.encode("utf-8", "surrogateescape")) > 16:
            raise UsageError(f"--label {role}={text}: expected a label of at most 16 bytes")
    if len(set(labels.values())) < len(labels):
        raise UsageError("--label: two boards with one label; expected another label for each")
    return labels


def refuse_what_a_real_bench_lacks(arguments: argparse.Namespace) -> None:
    """`ports` is whatever is plugged in: another kind, a seed or an image is for simulated benches."""
    for option in ("kind", "seed", "image"):
        if arguments.bench == "ports" and getattr(arguments, option, None) not in (None, []):
            raise UsageError(f"--{option}: expected a simulated bench to go with it; ports are real boards")


def refuse_roles_that_are_not_there(bench: Bench, option: str, roles: Iterable[Role]) -> None:
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
    if not summary.findings:
        print("no finding: nothing in this run points to a fault")
    for f in summary.findings:
        where = f" ({f.board})" if f.board else ""
        print(f"{f.rank}. {f.title}{where}, confidence {100 * f.confidence:.0f} %")
        for line in f.evidence:
            print(f"     for:     {line}")
        for line in f.against:
            print(f"     against: {line}")
        print(f"     remedy:  {f.remedy}")
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
    print_json(found)
    return found.verdict.exit_code


def write_out(option: str, path: Path, text: str) -> None:
    """Raises UsageError when the file that was named cannot be written."""
    try:
        path.write_text(text, "utf-8")
    except OSError as e:
        raise UsageError(f"{option} {path}: cannot be written ({e.strerror or e})") from e


def print_json(found: Comparison) -> None:
    import json

    from benchctl.compare import as_json

    print(json.dumps(as_json(found), indent=1, ensure_ascii=False))


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
    references, labels = References(root), [b.declared.label for b in bench.boards.values()]
    found = {references.get(label, arguments.line) for label in labels}
    if len(found) != 1 or None in found:
        which = ", ".join(labels)
        raise UsageError(
            f"--reference: expected one kept reference of line {arguments.line} for {which}; "
            f"`benchctl reference set RUN` keeps one, or name the run"
        )
    return root / str(found.pop())


def print_comparison(found: Comparison, everything: bool, both: Sequence[Overlay] = ()) -> int:
    from benchctl.analysis.equivalence import Outcome
    from benchctl.report.compared import SIGNS, counts, shown_margin
    from benchctl.units import quantity

    for difference in found.differences:
        print(f"· {difference}")
    drawn: set[int] = set()
    for row in found.rows:
        if not everything and row.outcome not in (Outcome.WORSE, Outcome.BETTER, Outcome.UNDECIDED):
            continue
        margin = f", margin {quantity(shown_margin(row), row.new.unit, 3)}" if row.evidence else ", informs only"
        word, values = row.outcome or "–", f"{row.reference.text()} → {row.new.text()}"
        print(f"{SIGNS[row.outcome]} {word:<9} {row.stage}.{row.new.name}: {values}{margin}")
        for i, overlay in enumerate(both):
            if i not in drawn and overlay.stage == row.stage and row.new.name in overlay.readings:
                drawn.add(i)
                for line in overlay.lines(66):
                    print(f"            {line}")
    for name in found.missing:
        print(f"? missing   {name}: measured in the reference only")
    for stage, old, now in found.verdicts:
        print(f"! stage {stage} was {old or 'not there'}, now {now or 'not there'}")
    print(f"{found.verdict.sign} {found.verdict}: {counts(found)}")
    return found.verdict.exit_code


def runs(arguments: argparse.Namespace) -> int:
    """The recorded runs, newest first, then the batch: latest verdict per board and first-pass yield."""
    from benchctl.runs import history
    from benchctl.runs.index import list_rows

    rows = list_rows(root_of(arguments))
    if arguments.procedure:
        rows = [r for r in rows if r.procedure == arguments.procedure]
    if arguments.board:
        rows = [r for r in rows if arguments.board in r.labels()]
    for row in rows[: arguments.most]:
        boards = " ".join(row.labels())
        mark = " simulated" if row.simulated else ""
        why = f"  ({', '.join(row.failed)})" if row.failed else ""
        print(f"{row.verdict.sign} {row.verdict:<9} {row.name}  {row.seconds:7.1f} s  {boards}{mark}{why}")
    if not rows:
        print("no run is kept yet")
        return 0
    if len(rows) > arguments.most:
        print(f"… and {len(rows) - arguments.most} older")
    _batch(history.boards(rows), history.frequent(rows))
    return 0


def _batch(boards: object, frequent: tuple[tuple[tuple[str, int], ...], tuple[tuple[str, int], ...]]) -> None:
    from benchctl.runs import history

    listed: list[history.BoardHistory] = list(boards)  # type: ignore[call-overload]
    print()
    for h in listed:
        print(f"{h.latest.verdict.sign} {h.label:<18} {len(h.runs):4} runs, latest {h.latest.verdict}")
    got = history.first_pass_yield(listed)
    if got.share is not None:
        low, high = 100 * got.interval.low, 100 * got.interval.high
        print(
            f"first-pass yield {got.passed} of {got.boards} boards: {100 * got.share:.0f} % ({low:.0f} to {high:.0f} %)"
        )
    stages, causes = frequent
    for title, counted in (("failing stages", stages), ("first causes", causes)):
        if counted:
            print(f"{title}: " + ", ".join(f"{name} {n}" for name, n in counted[:5]))


def boards(arguments: argparse.Namespace) -> int:
    """Which serial ports there are, and who answers on each."""
    from benchctl.ports.discover import State, survey

    found = survey()
    if not found:
        print("no serial port is plugged in; connect a board by USB and try again")
        return 3
    for one in found:
        print(one.sentence)
    return 0 if any(f.state is State.BOARD for f in found) else 3


def flash(arguments: argparse.Namespace) -> int:
    from benchctl import shipped
    from benchctl.flash import flash as program

    image = arguments.image or shipped.image(round(arguments.mhz * 1e6))
    last = ""

    def progress(phase: str, done: float) -> None:
        nonlocal last
        line = f"{phase} {100 * done:3.0f} %"
        if line != last:
            print(f"\r{line:<40}", end="", file=sys.stderr, flush=True)
            last = line

    try:
        result = program(arguments.port, image, progress, is_probe=arguments.image is None)
    finally:
        if last:
            print(file=sys.stderr)
    told = f", board {result.identity.label or 'without label'}" if result.identity else ""
    print(f"{arguments.port}: programmed at {result.speed} Bd, image {result.image_crc}{told}")
    return 0


def serve(arguments: argparse.Namespace) -> int:
    """Offer the boards of a simulated bench as serial ports until Ctrl-C."""
    from benchctl import benches, benchfile
    from benchctl.serve import serve_bench
    from benchctl.signals import on_signals

    if arguments.bench == "ports":
        raise UsageError("bench serve ports: expected a simulated bench; real boards have ports already")
    bench = benches.open_bench(arguments.bench, kind=arguments.kind, seed=arguments.seed)
    spec = benchfile.load(arguments.bench)
    stop = threading.Event()
    on_signals(lambda by: stop.set())
    serve_bench(
        bench,
        lambda line: print(line, flush=True),
        stop.is_set,
        spec=spec,
        tcp=arguments.tcp,
        folder=arguments.folder,
        reset_on_open=not arguments.no_reset,
    )
    return 0


def bench_keys(arguments: argparse.Namespace) -> int:
    """Every key of a bench file, with unit, range, default and meaning."""
    from benchctl.benchfile import reference, shipped_benches

    print(reference())
    print("shipped benches: " + ", ".join(sorted(shipped_benches())))
    return 0


def bench_wiring(arguments: argparse.Namespace) -> int:
    """The jumpers between the boards, as a drawing and a table."""
    from benchctl import benchfile

    if arguments.bench == "ports":
        raise UsageError(
            "bench wiring ports: expected a bench file or a shipped bench; which pins are wired stands there"
        )
    print(benchfile.wiring(benchfile.load(arguments.bench)))
    return 0


def procedures(arguments: argparse.Namespace) -> int:
    """The shipped procedures, with what each is for."""
    from benchctl import shipped
    from benchctl.procedure.file import load

    for name, path in shipped.procedures().items():
        procedure = load(path)
        print(f"{name}: {procedure.title}")
        print(f"    {procedure.note.strip()}")
        print("    stages: " + ", ".join(s.name for s in procedure.steps))
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
    from benchctl import benches, preferences, shipped
    from benchctl.headless import Lines, choose_operator
    from benchctl.operate import Operation
    from benchctl.procedure.file import load
    from benchctl.signals import on_signals

    arguments.bench = preferences.load().bench if arguments.bench is None else arguments.bench
    procedure = load(shipped.procedure(arguments.procedure))
    if arguments.only:
        procedure = procedure.only(arguments.only)
    labels, images = labels_by_role(arguments.label), by_role(arguments.image, "--image")
    refuse_what_a_real_bench_lacks(arguments)
    root = out_root(arguments.out)
    bench = benches.open_bench(arguments.bench, kind=arguments.kind, seed=arguments.seed, labels=labels, images=images)
    made: list[Operation] = []
    try:
        refuse_roles_that_are_not_there(bench, "--label", labels)
        refuse_roles_that_are_not_there(bench, "--image", images)
        operator = choose_operator(bench, arguments.answers, arguments.nobody)
        readers = [] if arguments.quiet else [Lines(sys.stderr)]

        def make(wanted: Procedure) -> Operation:
            operation = Operation(wanted, bench, root, operator=operator, readers=readers, hunt=arguments.hunt)
            on_signals(operation.stop)
            made.append(operation)
            return operation

        if arguments.reference is not None:
            folder = chosen_reference(arguments, bench, root)
            return run_against_reference(arguments, procedure, folder, make, bench.kind)
        result = make(procedure).perform()
    except Exception as e:
        if arguments.json and made and arguments.reference is None:
            arguments.json = False  # said here, with all that was found by then
            print_run(made[-1].summary, sentence(e), exit_code(e))
        raise
    finally:
        bench.close()
    if arguments.junit is not None:
        from benchctl.report.as_junit import render as as_junit

        write_out("--junit", arguments.junit, as_junit(result.summary))
    if arguments.json:
        print_run(result.summary, result.error, result.exit_code)
    if result.error:
        print(f"benchctl: {result.error}", file=sys.stderr)
    if not arguments.quiet:
        print(f"recorded in {result.folder}", file=sys.stderr)
    return result.exit_code


def print_run(summary: Summary, reason: str, code: int) -> None:
    from benchctl.report.as_json import ended, render

    print(render(summary, **ended(reason, code)), end="")


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
        print_json(done.comparison)
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
