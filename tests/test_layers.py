"""Ranks and walls: a module imports only from lower ranks; four walls that nothing crosses."""

from __future__ import annotations

import ast
import importlib
import inspect
from functools import cache
from pathlib import Path

import pytest

import benchctl
from benchctl.errors import BenchctlError

ROOT = Path(benchctl.__file__).parent
#: package or module -> rank; a module may import from a lower rank, or from its own package
RANKS = {
    "errors": 0, "units": 0, "terms": 0, "events": 0,
    "wire": 1, "analysis": 1, "benchfile": 1, "shipped": 1, "preferences": 1,
    "session": 2, "parts": 2, "runs": 2,
    "bench": 3, "declare": 3, "operators": 3, "signals": 3,
    "safety": 4,
    "stages": 5,
    "procedure": 6,
    "compare": 7, "findings": 7, "report": 7,
    "ports": 8, "sim": 8, "avr": 8, "reach": 8,
    "benches": 9, "flash": 9, "serve": 9,
    "operate": 10, "regression": 11,
    "headless": 11, "tui": 11,
    "commands": 12, "manual": 12, "arguments": 13, "cli": 14, "__main__": 15, "__init__": 0,
}  # fmt: skip
#: left to right inside one rank
ORDER = ["errors", "units", "terms", "events", "compare", "findings", "report"]


@cache
def modules() -> list[tuple[str, ast.Module]]:
    out = []
    for path in sorted(ROOT.rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        out.append((name, ast.parse(path.read_text("utf-8"))))
    return out


def imports(tree: ast.Module) -> set[str]:
    """Full names of what a module imports; names from packages count as modules where they are some."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{a.name}" for a in node.names} | {node.module}
    return found


def own(tree: ast.Module) -> set[str]:
    """Top packages of ours that a module imports."""
    parts: set[str] = set()
    for name in imports(tree):
        pieces = name.split(".")
        if pieces[0] == "benchctl" and len(pieces) > 1:
            parts.add(pieces[1])
    return {p for p in parts if p in RANKS or (ROOT / p).is_dir() or (ROOT / f"{p}.py").exists()}


@pytest.mark.parametrize(("name", "tree"), modules(), ids=lambda v: v if isinstance(v, str) else "")
def test_ranks(name: str, tree: ast.Module) -> None:
    """A module imports from lower ranks only, or from its own package, or from its left in its own rank."""
    package = name.split(".")[0]
    rank = RANKS[package]
    for other in own(tree) - {package, "__version__"}:
        lower = RANKS[other] < rank
        left = RANKS[other] == rank and package in ORDER and other in ORDER and ORDER.index(other) < ORDER.index(package)
        assert lower or left, f"{name} (rank {rank}) imports {other} (rank {RANKS[other]})"


JUDGES = ("stages", "analysis", "safety", "runs", "findings", "report", "tui", "compare", "procedure")
TRUTH = {"parts", "sim", "avr", "benchfile"}


@pytest.mark.parametrize(("name", "tree"), modules(), ids=lambda v: v if isinstance(v, str) else "")
def test_walls(name: str, tree: ast.Module) -> None:
    """Who judges does not know the truth; a real bench has no modelled person; time, chance, print, screen."""
    package, used = name.split(".")[0], imports(tree)
    if package in JUDGES:
        assert not own(tree) & TRUTH, f"{name} knows the truth"
    if package == "ports":
        assert "parts" not in own(tree), "a real bench cannot have a modelled person"
    if package not in ("ports", "operate", "serve", "flash"):
        assert not {i.split(".")[0] for i in used} & {"time"}, f"{name} knows the machine's clock"
        assert "datetime.datetime.now" not in ast.unparse(tree)
        assert "datetime.now(" not in ast.unparse(tree)
    if package != "tui":
        assert not any(i.split(".")[0] == "textual" for i in used), f"{name} imports the screen library"
    if package not in ("cli", "arguments", "headless", "commands"):
        calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "print"]
        assert not calls, f"{name} prints"


def test_throttle_is_asked_for_in_one_file() -> None:
    """Requests that arm or throttle are made in safety/drive.py and nowhere else in the host."""
    for name, tree in modules():
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "ask"):
                continue
            first = node.args[0] if node.args else None
            kind = first.value if isinstance(first, ast.Constant) else None
            if kind in ("arm", "arm_challenge", "throttle"):
                assert name == "safety.drive", f"{name} asks for {kind}"


def test_no_cyclic_imports() -> None:
    """No group of modules imports each other at import time."""
    trees = dict(modules())
    graph: dict[str, set[str]] = {}
    for name, tree in trees.items():
        targets = set()
        for node in ast.iter_child_nodes(tree):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("benchctl"):
                base = node.module.removeprefix("benchctl").lstrip(".")
                for a in node.names:
                    full = f"{base}.{a.name}".lstrip(".")
                    targets.add(full if full in trees else base)
        graph[name] = {t for t in targets if t in trees and t != name}
    state: dict[str, int] = {}

    def visit(name: str, path: tuple[str, ...]) -> None:
        if state.get(name) == 2:
            return
        assert state.get(name) != 1, f"cycle: {' -> '.join([*path, name])}"
        state[name] = 1
        for other in graph[name]:
            visit(other, (*path, name))
        state[name] = 2

    for name in graph:
        visit(name, ())


def test_modules_stay_small() -> None:
    """A module ends at 500 lines."""
    for path in ROOT.rglob("*.py"):
        lines = len(path.read_text("utf-8").splitlines())
        assert lines <= 500, f"{path.name} has {lines} lines"


def test_one_exception_tree() -> None:
    """Every exception class of ours has the one root, and an exit code of 2 or 3."""
    for name, _ in modules():
        if name.startswith(("avr.build_shim", "__main__", "tui")):
            continue
        module = importlib.import_module(f"benchctl.{name}".removesuffix(".__init__"))
        for _, cls in inspect.getmembers(module, inspect.isclass):
            if cls.__module__ == module.__name__ and issubclass(cls, Exception):
                assert issubclass(cls, BenchctlError), cls
                assert cls.exit_code in (2, 3), cls
