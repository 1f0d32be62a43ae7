"""Ranks and walls: a module imports only from lower ranks; four walls that nothing crosses."""

from __future__ import annotations

import ast
import importlib
import inspect
from functools import cache
from pathlib import Path

import benchctl
from benchctl.errors import BenchctlError

ROOT = Path(benchctl.__file__).parent
#: package or module -> rank; a module may import from a lower rank, or from its own package
RANKS = {
    "errors": 0, "units": 0, "terms": 0, "facts": 0, "events": 0, "event_json": 0,
    "wire": 1, "analysis": 1, "pairfile": 1, "benchfile": 1, "shipped": 1, "preferences": 1, "locks": 1,
    "session": 2, "parts": 2, "runs": 2,
    "bench": 3, "declare": 3, "told": 3, "operators": 3, "signals": 3,
    "safety": 4,
    "stages": 5,
    "procedure": 6,
    "compare": 7, "findings": 7, "report": 7,
    "ports": 8, "sim": 8, "avr": 8, "relayed_bench": 8,
    "benches": 9, "flash": 9, "serve": 9,
    "operate": 10, "paced_output": 10, "regression": 11,
    "headless": 11, "tui": 11, "as_objects": 11,
    "commands": 12, "bench_commands": 12, "list_commands": 13, "library": 12, "pytest_plugin": 13,
    "manual": 13, "completion": 13, "arguments": 14, "cli": 15, "__main__": 16, "__init__": 16,
}  # fmt: skip
#: left to right inside one rank
ORDER = [
    "errors", "units", "terms", "facts", "events", "event_json", "wire", "analysis", "pairfile", "benchfile",
    "declare", "told", "compare", "findings", "report",
]  # fmt: skip


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


def test_ranks() -> None:
    """A module imports from lower ranks only, or from its own package, or from its left in its own rank."""
    for name, tree in modules():
        package = name.split(".")[0]
        rank = RANKS[package]
        for other in own(tree) - {package, "__version__"}:
            lower = RANKS[other] < rank
            same = RANKS[other] == rank and package in ORDER and other in ORDER
            left = same and ORDER.index(other) < ORDER.index(package)
            assert lower or left, f"{name} (rank {rank}) imports {other} (rank {RANKS[other]})"


JUDGES = ("stages", "analysis", "safety", "runs", "findings", "report", "tui", "compare", "procedure")
TRUTH = {"parts", "sim", "avr", "benchfile"}


def test_walls() -> None:
    for name, tree in modules():
        check_walls(name, tree)


def check_walls(name: str, tree: ast.Module) -> None:
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
    if package not in ("cli", "arguments", "headless", "commands", "bench_commands", "list_commands"):
        calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "print"]
        assert not calls, f"{name} prints"


def test_the_harm_log_is_seen_by_the_simulated_benches_alone() -> None:
    """It is truth: nothing that judges, records or shows names it."""
    for name, tree in modules():
        if name.split(".")[0] in ("parts", "sim", "avr", "benchfile"):
            continue
        for node in ast.walk(tree):
            taken = isinstance(node, ast.Attribute) and node.attr in ("world", "nets", "allowances")
            if isinstance(node, ast.Attribute) and node.attr == "harm":
                taken = ast.unparse(node.value).endswith("bench")
            named = isinstance(node, ast.Name) and node.id in ("HarmLog", "HarmKind")
            looks = taken or named
            assert not looks, f"{name} looks at the harm log"


#: requests that arm or throttle
ASKING = ("Arm", "ArmChallenge", "Throttle")


def test_throttle_is_asked_for_in_one_file() -> None:
    """Requests that arm or throttle are made in safety/drive.py and nowhere else in the host; those that let the wiring
    of outputs be changed, in safety/wiring.py.

    Nowhere else are their classes named, or messages looked up by a name that could be theirs.
    """
    for name, tree in modules():
        if name in ("safety.drive", "safety.wiring") or name.split(".")[0] in ("sim", "wire"):
            continue
        for node in ast.walk(tree):
            said = getattr(node, "attr", None) or getattr(node, "id", None) or getattr(node, "name", None)
            if name in ("parts.allowance", "safety.gate"):  # read what others ask for, and make none
                assert not (isinstance(node, ast.Call) and getattr(node.func, "id", "") in ASKING), f"{name} asks"
                continue
            assert said not in (*ASKING, "class_of", "CLASSES"), f"{name} names {said}"


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
    """A module ends at 500 lines, but for the generated one."""
    for path in set(ROOT.rglob("*.py")) - {ROOT / "wire" / "msg.py"}:
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
