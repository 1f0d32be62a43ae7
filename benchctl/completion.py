"""The completion scripts of shells: names that the tool ships or the user keeps are offered before files."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable
from pathlib import Path

SHELLS = ("bash", "zsh", "fish")

#: argument -> the function that offers its names in every shell
_OFFERS = {"procedure": "_benchctl_procedures", "bench": "_benchctl_benches", "pair": "_benchctl_pairs"}
#: a function, given its name and the words it offers
_FUNCTION = {
    "bash": '{name}() {{\n  compgen -W "{words}" -- "$1"\n  compgen -f -- "$1"\n}}\n',
    "zsh": "{name}() {{\n  _alternative 'names:name:({words})' 'files:file:_files'\n}}\n",
    "fish": "function {name}\n  printf '%s\\n' {words}\n  __fish_complete_path (commandline -ct)\nend\n",
}
#: a name that means nothing to a shell; another one is typed in full
_PLAIN = re.compile(r"[\w.+-]+")


def script(whole: argparse.ArgumentParser, commands: Iterable[argparse.ArgumentParser], shell: str) -> str:
    """The script of a shell out of SHELLS. commands: every parser below the whole one, whose arguments get offers."""
    import shtab

    for command in commands:
        for action in command._actions:
            offer = _OFFERS.get(action.dest)
            if offer:
                action.complete = {"bash": offer, "zsh": offer, "fish": f"({offer})"}  # type: ignore[attr-defined]
            elif action.type is Path:
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    functions = "\n".join(
        _FUNCTION[shell].format(name=_OFFERS[argument], words=" ".join(filter(_PLAIN.fullmatch, words)))
        for argument, words in _names().items()
    )
    made: str = shtab.complete(whole, shell, preamble={shell: functions})  # type: ignore[arg-type]
    return made


def _names() -> dict[str, list[str]]:
    from benchctl import pairfile, shipped
    from benchctl.benchfile import shipped_benches

    return {
        "procedure": list(shipped.procedures()),
        "bench": ["ports", *sorted({"sim", "avr", *shipped_benches()})],
        "pair": sorted({*pairfile.own(), *pairfile.shipped()}),
    }
