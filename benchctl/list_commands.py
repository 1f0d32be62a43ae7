"""The commands that list: runs, boards, procedures. Each takes parsed arguments and returns the exit code."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchctl.commands import root_of, write_out

if TYPE_CHECKING:
    from benchctl.runs.index import RunRow


def runs(arguments: argparse.Namespace) -> int:
    """The recorded runs, newest first, then the batch: latest verdict per board and first-pass yield."""
    from benchctl.runs import history
    from benchctl.runs.index import list_rows

    rows = history.chosen(
        list_rows(root_of(arguments)),
        procedure=arguments.procedure,
        board=arguments.board,
        verdict=arguments.verdict,
        cause=arguments.cause,
        since=arguments.since,
        until=arguments.until,
    )
    if arguments.csv or arguments.parquet or arguments.json:
        return _runs_for_programs(arguments, rows)
    most = arguments.most or 20
    for row in rows[:most]:
        boards = " ".join(row.labels())
        mark = " simulated" if row.simulated else ""
        why = f"  ({', '.join(row.failed)})" if row.failed else ""
        print(f"{row.verdict.sign} {row.verdict:<9} {row.name}  {row.seconds:7.1f} s  {boards}{mark}{why}")
    if not rows:
        print("no run is kept yet")
        return 0
    if len(rows) > most:
        print(f"… and {len(rows) - most} older")
    _batch(rows)
    if arguments.html is not None:
        from benchctl.report.batch import page

        # rehearsals prove no board good: they are on the page only where there is nothing else
        write_out("--html", arguments.html, page(root_of(arguments), rows, all(r.simulated for r in rows)))
    return 0


def _runs_for_programs(arguments: argparse.Namespace, rows: list[RunRow]) -> int:
    """As files and as an object; the object tells of the batch as well."""
    from benchctl import as_objects
    from benchctl.report.as_json import written

    kept = rows[: arguments.most]
    if arguments.csv:
        write_out("--csv", arguments.csv, as_objects.as_csv(kept))
    if arguments.parquet:
        as_objects.write_parquet(arguments.parquet, kept)
    if arguments.json:
        print(written(as_objects.runs(rows, arguments.most)), end="")
    return 0


def _batch(rows: Sequence[RunRow]) -> None:
    from benchctl.report.batch import sentences
    from benchctl.runs import history

    print()
    kept = history.boards(rows)
    for h in kept:
        print(f"{h.latest.verdict.sign} {h.label:<18} {len(h.runs):4} runs, latest {h.latest.verdict}")
    for text in sentences(rows, kept):
        print(text)


def boards(arguments: argparse.Namespace) -> int:
    """Which serial ports there are, and who answers on each."""
    from benchctl.analysis.fuses import fuses
    from benchctl.ports.discover import State, survey

    found = survey()
    if arguments.json:
        from benchctl.as_objects import boards as as_objects
        from benchctl.report.as_json import written

        print(written({"boards": as_objects(found)}), end="")
        return 0 if any(f.state is State.BOARD for f in found) else 3
    if not found:
        print("no serial port is plugged in; connect a board by USB and try again")
        return 3
    for one in found:
        print(one.sentence)
        if one.identity is not None and one.identity.fuses:
            print(f"    {fuses(one.identity.fuses)}")
    return 0 if any(f.state is State.BOARD for f in found) else 3


def procedures(arguments: argparse.Namespace) -> int:
    """The shipped procedures, with what each is for."""
    from benchctl import shipped
    from benchctl.procedure.file import load

    if arguments.json:
        from benchctl.as_objects import procedure as as_object
        from benchctl.report.as_json import written

        listed = [as_object(load(path)) for path in shipped.procedures().values()]
        print(written({"procedures": listed}), end="")
        return 0
    for name, path in shipped.procedures().items():
        procedure = load(path)
        print(f"{name}: {procedure.title}")
        print(f"    {procedure.note.strip()}")
        print("    stages: " + ", ".join(s.name for s in procedure.steps))
    return 0
