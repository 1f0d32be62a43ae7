"""Bench TOML → `BenchSpec`; every complaint names file, key and what was expected."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchctl import pairfile
from benchctl.benchfile import truth
from benchctl.benchfile.checks import RULES
from benchctl.benchfile.schema import BenchSpec, BoardSpec
from benchctl.errors import UsageError
from benchctl.pairfile import PairSpec
from benchctl.pairfile import reader as pairs
from benchctl.pairfile.keys import keys_of
from benchctl.pairfile.pins import NONE
from benchctl.pairfile.reading import NAME, Reader, check, laid_over, read_bytes, read_toml

SHIPPED = Path(__file__).resolve().parents[1] / "data" / "benches"
#: short names: shipped file and kind
SHORT = {"sim": ("mudlark", "sim"), "avr": ("mudlark", "avr")}
#: in a bench file, a pair described in place: the pair that it is laid over
_BASE = "from"


def shipped_benches() -> list[str]:
    """Names of the bench files that come with the package, sorted."""
    return sorted(p.stem for p in SHIPPED.glob("*.toml"))


def load(name_or_path: str, pair: str = "") -> BenchSpec:
    """The bench of a short name (`sim`, `avr`, `ports`), of a shipped file's name, or of a file.

    pair: name or file of the pair, in place of the one that the bench file names. `ports` without one has no boards:
    which there are is left to discovery. Raises UsageError naming file, key and what was expected.
    """
    if name_or_path == "ports":
        text = b'kind = "ports"\n'
        found = pairfile.load(pair) if pair else PairSpec()
        return parse(text, "ports", "ports", found)
    stem, kind = SHORT.get(name_or_path, (name_or_path, ""))
    shipped = SHIPPED / f"{stem}.toml" if NAME.fullmatch(stem) else None
    path = shipped if shipped is not None and shipped.is_file() else Path(name_or_path)
    data = read_bytes(path, "bench", name_or_path, (*SHORT, "ports", *shipped_benches()))
    spec = parse(data, path.name, str(path), pairfile.load(pair) if pair else None)
    return spec.with_changes(kind=kind) if kind else spec


def parse(data: bytes, file: str = "bench", path: str = "", pair: PairSpec | None = None) -> BenchSpec:
    """The bench that the TOML text `data` describes. Raises UsageError.

    file: named in complaints. pair: in place of the one that the text names.
    """
    raw = read_toml(data, "bench", file)
    named = raw.get("pair")
    if isinstance(named, dict):
        raw["pair"] = ""
    if raw.get("kind") == "serial":  # as files of before say it
        raw["kind"] = "ports"
    given: BenchSpec = Reader(f"bench {file}").table(BenchSpec, raw, "")
    if given.kind == "ports":
        _refuse_models(raw, f"bench {file}")
    if pair is None:
        pair = _pair(named, file, Path(path).parent if path else None)
    return replace(_made(raw, given, pair, file, data), path=path)


def _pair(given: Any, file: str, folder: Path | None) -> PairSpec:
    """The pair that a bench file names, or describes in place."""
    if isinstance(given, str) and given:
        return pairfile.load(given, folder)
    if not isinstance(given, dict):
        raise UsageError(f'bench {file}, pair: expected the pair file of what is soldered, such as pair = "mudlark"')
    below = pairs.tree(str(given[_BASE]), folder) if _BASE in given else {}
    tree = laid_over(below, {key: value for key, value in given.items() if key != _BASE})
    return pairs.made(tree, f"bench {file}, pair", str(given.get("name", Path(file).stem)))


def _made(raw: Mapping[str, Any], given: BenchSpec, pair: PairSpec, file: str, data: bytes) -> BenchSpec:
    where = f"bench {file}"
    _refuse_boards_beyond(pair, (*given.boards, *given.only), where)
    spec: BenchSpec = Reader(where).table(BenchSpec, _with_truth(raw, pair), "")
    boards = {
        role: replace(board, pins={f: pin for f, pin in board.pins.items() if pin != NONE})
        for role, board in spec.boards.items()
    }
    sha256 = hashlib.sha256(data + pairfile.as_toml(pair).encode()).hexdigest()
    spec = replace(spec, boards=boards, pair=pair, sha256=sha256, name=spec.name or Path(file).stem)
    check(spec, where, RULES)
    return spec


def _with_truth(raw: Mapping[str, Any], pair: PairSpec) -> dict[str, Any]:
    """The file's tree over a healthy bench of the pair's boards, or of those that are there."""
    there = {r: board for r, board in truth.boards(pair).items() if r in raw.get("only", pair.boards)}
    given = raw.get("board", {})
    out = {**raw, "board": {role: laid_over(board, given.get(role, {})) for role, board in there.items()}}
    wires = [w for w in truth.wires(pair) if all(end.partition(".")[0] in there for end in w.values())]
    out.setdefault("wire", wires)
    return out


def _refuse_boards_beyond(pair: PairSpec, roles: Iterable[str], where: str) -> None:
    for role in roles:
        if role not in pair.boards:
            has = ", ".join(pair.boards) or "no board"
            raise UsageError(f"{where}, board.{role}: expected a board of pair {pair.name}, which has {has}")


# ---------------------------------------------------------------------- real boards


def _refuse_models(raw: Mapping[str, Any], where: str) -> None:
    """A bench of real boards has no modelled number: the boards are as they are."""
    for place, allowed in _modelled(raw):
        raise UsageError(
            f'{where}, {place}: this is of a modelled board; real boards (kind = "ports") are as they are. '
            f"Expected only {', '.join(allowed)}; what is soldered goes into the pair file"
        )


def _modelled(raw: Mapping[str, Any]) -> Iterator[tuple[str, list[str]]]:
    top, board = _real_keys(BenchSpec), _real_keys(BoardSpec)
    yield from ((key, top) for key in raw if key not in top)
    for role, given in raw.get("board", {}).items():
        yield from ((f"board.{role}.{key}", board) for key in given if key not in board)


def _real_keys(cls: type) -> list[str]:
    return [name for name, (_, key, _) in keys_of(cls).items() if key.real]
