"""Every key of pair and bench files as a page for people."""

from __future__ import annotations

from benchctl.benchfile.schema import BenchSpec
from benchctl.pairfile import PairSpec, page
from benchctl.pairfile.writing import lines

_PAIR = """A pair file says what is soldered: facts, no modelled number. It is TOML, NAME.toml in the folder of pairs
(`benchctl pairs` shows it) or any file. Pins are written as `D9`, `A0` or `PB1`; "none" says that a function is not
wired. A key that is left out is unknown: it is found, asked for, or the stage that needs it is not run and names the
key. Nothing stands in for it."""
_BENCH = """A bench file is TOML. It names a pair (`pair = "NAME"`, or a file; or a table `[pair]` that describes one
in place, with `from = "NAME"` laid over another) and says how its boards are reached. Of simulated benches it may also
give the physics: every board starts as a healthy one, soldered as the pair file says; keys given are laid over that.
A file for real boards (`kind = "ports"`) has no physics. `NAME` in a heading stands for a name of your own, or for
one of the names listed. Numbers may be written with or without a decimal point; `inf` is allowed where the range says
so."""


def reference() -> str:
    """All keys as Markdown."""
    pair = page("Pair files", _PAIR, PairSpec, "unknown")
    return pair + "\n" + page("Bench files", _BENCH, BenchSpec, "as the pair file says")


def for_terminal(width: int) -> str:
    """The same, laid out for a terminal of so many columns."""
    told = [*lines(PairSpec, "unknown", width), "", *lines(BenchSpec, "as the pair file says", width)]
    return "Pair files: what is soldered\n" + "\n".join(told) + "\n"
