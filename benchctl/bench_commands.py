"""The commands about benches and pairs. Each function takes parsed arguments and returns the exit code."""

from __future__ import annotations

import argparse
import shutil
import sys
import threading

from benchctl.errors import UsageError


def serve(arguments: argparse.Namespace) -> int:
    """Offer the boards of a simulated bench as serial ports until Ctrl-C."""
    from benchctl import benches, benchfile
    from benchctl.serve import serve_bench
    from benchctl.signals import on_signals

    if arguments.bench == "ports":
        raise UsageError("bench serve ports: expected a simulated bench; real boards have ports already")
    bench = benches.open_bench(arguments.bench, kind=arguments.kind, seed=arguments.seed, pair=arguments.pair)
    spec = benchfile.load(arguments.bench, arguments.pair)
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
    """Every key of pair and bench files, with unit, range, default and meaning."""
    from benchctl import pairfile
    from benchctl.benchfile import reference, shipped_benches
    from benchctl.benchfile.reference import for_terminal

    print(for_terminal(shutil.get_terminal_size().columns - 1) if sys.stdout.isatty() else reference())
    print("shipped pairs: " + ", ".join(pairfile.shipped()))
    print("shipped benches: " + ", ".join(sorted(shipped_benches())))
    return 0


def pairs(arguments: argparse.Namespace) -> int:
    """The pair files that can be named: the user's own and the shipped ones."""
    from benchctl import pairfile
    from benchctl.pairfile.reader import folder
    from benchctl.session.pairing import pair_channel

    for title, listed in ((f"your pairs ({folder()}):", pairfile.own()), ("shipped pairs:", pairfile.shipped())):
        print(title)
        for name, path in listed.items():
            try:
                pair = pairfile.load(str(path))
                channel = pair_channel(pair)
                told = f"; channel {channel}" if channel else ""
                print(f"  {name:<24} {pairfile.summary(pair)}{told}")
            except UsageError as e:
                print(f"  {name:<24} ! {e}")
        if not listed:
            print("  none yet")
    return 0


def bench_wiring(arguments: argparse.Namespace) -> int:
    """The jumpers between the boards, as a drawing and a table."""
    from benchctl import benchfile, pairfile

    if arguments.pair and arguments.bench is None:
        print(pairfile.wiring(pairfile.load(arguments.pair)))
        return 0
    if arguments.bench is None or (arguments.bench == "ports" and not arguments.pair):
        raise UsageError(
            "bench wiring: expected a bench that names a pair, or --pair; which pins are wired stands there"
        )
    print(pairfile.wiring(benchfile.load(arguments.bench, arguments.pair).pair))
    return 0
