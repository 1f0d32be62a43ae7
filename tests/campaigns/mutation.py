"""Mutation run: small faults put into the code one at a time; the tests must notice each.

    mutation.py [MODULE …] [--minutes M] [--count N] [--seed S] [--keep FILE] [--write [NAME]]

Modules: those of the table below, all by default. Mutants come in random order until the time is over or so many are
tried. Prints those that survive, with their line, and a table at the end. Each mutant runs in a forked process with the
tests named for its module, the quickest first; a test run that never ends counts as noticed. A test is first run without
any fault; one that fails then is left out, and said. With a kept file, what was noticed before is not tried again
as long as the module is the same, and what survived is tried first. What no test can notice stands in `equivalent.py`,
with the reason; a survivor that does not is open, and then the command ends with 1.
"""

from __future__ import annotations

import argparse
import ast
import copy
import gc
import hashlib
import importlib.machinery
import json
import math
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from benchctl.analysis.loss import clopper_pearson  # noqa: E402
from tests.campaigns import published  # noqa: E402
from tests.campaigns.equivalent import EQUIVALENT  # noqa: E402

_SMALL = "tests/robust/test_small_faults.py"
_EDGES = "tests/robust/test_record_edges.py"
_HOSTILE = [_SMALL, _EDGES, "tests/robust/test_hostile_board.py", "-k", "not verdict and not late"]
_MOTOR = ["tests/stages/test_motor_stages.py", "tests/safety_proof/test_stop_paths.py", "-k",
          "not avr and not firmware and not signals and not terminal"]  # fmt: skip
_STOPS = ["tests/safety_proof/test_stop_paths.py", "tests/safety_proof/test_unplugged.py",
          "-k", "not avr and not signals and not terminal and not screen"]  # fmt: skip
_RULES = ["tests/safety/test_interlock.py", "tests/robust/test_drive_edges.py", "tests/safety/test_drive.py"]
_TAUGHT = ["tests/stages/test_teach_esc.py", "-k", "not avr and not guard"]
_TRIED = ["tests/stages/test_outputs.py", "-k", "not avr and not firmware"]
_PORTS = ["tests/ports/test_stopping.py", "tests/ports/test_port.py", "tests/ports/test_bench.py"]
_ALL_MOTORS = ["tests/stages/test_all_motors.py", "-k", "not avr"]
#: module -> arguments of pytest, one run after the other: the quickest to notice first
TESTS: dict[str, list[list[str]]] = {
    "benchctl.wire.crc": [["tests/wire/test_framing.py"]],
    "benchctl.wire.framing": [[_SMALL, "tests/wire/test_framing.py", "tests/robust/test_hostile_wire.py"]],
    "benchctl.wire.fields": [[_SMALL, "tests/wire/test_messages.py", _EDGES]],
    "benchctl.wire.messages": [[_SMALL, "tests/wire/test_messages.py", "tests/session/test_board.py"]],
    "benchctl.session.exchange": [[_SMALL, "tests/session"]],
    "benchctl.session.boot": [["tests/session"]],
    "benchctl.session.board": [["tests/session/test_board.py", "tests/session/test_boot.py"], _HOSTILE],
    "benchctl.session.over_air": [["tests/session/test_air_line.py"], ["tests/benches/test_over_air.py", "-k", "not avr"]],
    "benchctl.session.owner_wiring": [["tests/session", "tests/test_wiring.py"], _TRIED],
    "benchctl.analysis.judge": [["tests/analysis/test_judge.py"]],
    "benchctl.safety.interlock": [[_SMALL, *_RULES]],
    "benchctl.safety.attestation": [_RULES],
    "benchctl.safety.attesting": [_RULES, _TRIED],
    "benchctl.safety.drive": [_RULES, _MOTOR],
    "benchctl.safety.gate": [_RULES, _TRIED],
    "benchctl.safety.teaching": [_RULES, _TAUGHT],
    "benchctl.safety.wiring": [_RULES, _TRIED],
    "benchctl.safety.stop": [_RULES, _STOPS],
    "benchctl.runs.log": [[_EDGES, "tests/runs/test_run_log.py"]],
    "benchctl.stages.motor": [_MOTOR, _ALL_MOTORS],
    "benchctl.stages.esc_arming": [_MOTOR, _TRIED],
    "benchctl.stages.throttle_ramp": [_MOTOR, _ALL_MOTORS],
    "benchctl.stages.link_loss_cut": [_MOTOR],
    "benchctl.stages.outputs": [_TRIED],
    "benchctl.stages.teach_esc": [_TAUGHT],
    "benchctl.operate": [_STOPS, ["tests/cli/test_output.py", "-k", "not avr"]],
    "benchctl.ports.bench": [_PORTS],
    "benchctl.ports.patience": [_PORTS],
    "benchctl.ports.line": [_PORTS],
    "benchctl.ports.port": [_PORTS],
    "benchctl.ports.outlets": [_PORTS],
    "benchctl.tui.stop_key": [["tests/tui/test_stop_key.py"]],
    "benchctl.tui.link": [["tests/tui/test_link.py"], ["tests/tui/test_sessions.py", "-k", "stop or link"]],
}
#: a test run that takes so many times as long as without a fault, and so many seconds more, has met an endless loop
TIMES, MORE_S = 3, 3
#: a run that has so many failing tests without any fault is not worth more tries
MOST_LEFT_OUT = 6
#: arguments of pytest to what runs it, in a process of its own
Made = Callable[[Sequence[str]], Callable[[], int]]

_COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_BINARY: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Add, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
    ast.BitXor: ast.BitOr,
}  # fmt: skip


# ---------------------------------------------------------------------- mutants


def _in_node(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], None]]]:
    """What can be changed in a node, each with a change to a copy of it."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARE:
        other = _COMPARE[type(node.ops[0])]
        yield f"{type(node.ops[0]).__name__} -> {other.__name__}", lambda n: n.ops.__setitem__(0, other())
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _BINARY:
        wanted = _BINARY[type(node.op)]
        yield f"{type(node.op).__name__} -> {wanted.__name__}", lambda n: setattr(n, "op", wanted())
    elif isinstance(node, ast.BoolOp):
        swapped = ast.Or if isinstance(node.op, ast.And) else ast.And
        yield "and <-> or", lambda n: setattr(n, "op", swapped())
    elif isinstance(node, ast.If | ast.While | ast.IfExp) and not isinstance(node.test, ast.Compare):
        yield "condition negated", lambda n: setattr(n, "test", ast.UnaryOp(ast.Not(), n.test))
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield f"{node.value} negated", lambda n: setattr(n, "value", not n.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield f"{node.value} + 1", lambda n: setattr(n, "value", n.value + 1)
        if node.value > 0:
            yield f"{node.value} - 1", lambda n: setattr(n, "value", n.value - 1)


def _removable(statement: ast.stmt) -> bool:
    docstring = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
    return isinstance(statement, ast.Expr | ast.AugAssign | ast.Raise | ast.Continue | ast.Break) and not docstring


class Mutant:
    """One fault: where it is, what it is; `tree` makes the module with it."""

    def __init__(self, whole: ast.Module, index: int, line: int, what: str, change: Callable[[Any], None]) -> None:
        self._whole, self._index, self._change = whole, index, change
        self.line, self.what = line, what

    def tree(self) -> ast.Module:
        other = copy.deepcopy(self._whole)
        self._change(list(_walk(other))[self._index])
        return ast.fix_missing_locations(other)


def mutants(source: str) -> list[Mutant]:
    """All of a module's. Annotations, docstrings and texts are left alone."""
    tree = ast.parse(source)
    out = []
    for index, node in enumerate(_walk(tree)):
        for what, change in _in_node(node):
            out.append(Mutant(tree, index, node.lineno, what, change))  # type: ignore[attr-defined]
        for name in ("body", "orelse", "finalbody"):
            block = getattr(node, name, None)
            for i, statement in enumerate(block if isinstance(block, list) else []):
                if _removable(statement):
                    out.append(Mutant(tree, index, statement.lineno, "statement removed", _without(name, i)))
    return out


def _without(block: str, index: int) -> Callable[[Any], None]:
    return lambda node: getattr(node, block).__setitem__(index, ast.Pass())


def _walk(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node outside annotations and formatted texts, in order."""
    yield tree
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list") or isinstance(tree, ast.JoinedStr):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _walk(child)


# ---------------------------------------------------------------------- running the tests on one


class _Loader(importlib.machinery.SourceFileLoader):
    code: CodeType

    def get_code(self, fullname: str) -> CodeType:
        return self.code


class _Finder:
    """Gives one module's changed code to whoever imports it."""

    def __init__(self, module: str, path: Path, code: CodeType) -> None:
        self.module, self.path, self.code = module, path, code

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        if name != self.module:
            return None
        loader = _Loader(name, str(self.path))
        loader.code = self.code
        return importlib.machinery.ModuleSpec(name, loader, origin=str(self.path))


def fails(test: Callable[[], int], most_s: tuple[float, float]) -> bool:
    """Whether that ends with another code than 0 in a forked process, or not in time.

    most_s: seconds of the processor, and of waiting, that it may take.
    """
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(most_s[0]),) * 2)
        os._exit(test())
    deadline = time.monotonic() + most_s[1]
    while time.monotonic() < deadline:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status != 0
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


class Stages:
    """Runs of pytest, each one tried without any fault before it is used."""

    def __init__(self) -> None:
        self.left_out: list[str] = []
        self._known: dict[str, tuple[list[str], tuple[float, float]]] = {}

    def notice(self, runs: Sequence[Sequence[str]], faulty: Made, healthy: Made) -> bool:
        """Whether one of these runs fails with the fault."""
        for run in runs:
            wanted, most_s = self._tried(run, healthy)
            if wanted and fails(faulty(wanted), most_s):
                return True
        return False

    def _tried(self, run: Sequence[str], healthy: Made) -> tuple[list[str], tuple[float, float]]:
        """The arguments without what fails anyhow, and how long a run of them may take."""
        key = " ".join(run)
        if key not in self._known:
            wanted = [*run]
            for _ in range(MOST_LEFT_OUT):
                began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
                with tempfile.NamedTemporaryFile("r", encoding="utf-8") as failing:
                    failed = fails(healthy([*wanted, "-p", "tests.campaigns.failing", f"--failing={failing.name}"]), (900, 3600))
                    names = failing.read().split("\n")[:-1]
                after = resource.getrusage(resource.RUSAGE_CHILDREN)
                if not failed:
                    break
                print(f"left out, it fails without any fault: {names or key}", flush=True)
                self.left_out += names or [key]
                wanted += [f"--deselect={name}" for name in names]
                if not names:
                    wanted = []
                    break
            processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            # the machine may be busier later
            most_s = (TIMES * processor + MORE_S, 4 * TIMES * (time.monotonic() - began) + MORE_S)
            print(f"without any fault {processor:.0f} s: {key}", flush=True)
            self._known[key] = (wanted, most_s)
        return self._known[key]


def run_tests(tests: Sequence[str], plugins: Sequence[object] = ()) -> int:
    """pytest's exit code, in a process of its own that ends with it."""
    import hypothesis
    import pytest

    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
    hypothesis.settings.register_profile(
        "mutation", max_examples=40, deadline=None, database=None, derandomize=True,
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),  # nobody reads the smallest example
    )  # fmt: skip
    hypothesis.settings.load_profile("mutation")
    # imported before pytest looks at it; that its asserts are not rewritten does not matter here
    calm = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    try:
        return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--timeout=0", *calm, *tests], [*plugins]))
    except BaseException:
        return 1


def _made(module: str, path: Path, tree: ast.Module | None) -> Made:
    """Test runs with this tree in the module's place; None: with the code as it is."""

    def made(tests: Sequence[str]) -> Callable[[], int]:
        def test() -> int:
            if tree is not None:
                sys.meta_path.insert(0, _Finder(module, path, compile(tree, str(path), "exec")))  # type: ignore[arg-type]
            return run_tests(tests)

        return test

    return made


# ---------------------------------------------------------------------- the campaign


Key = tuple[str, str, int]


class Kept:
    """What earlier runs came to, by module, its source and the mutant's place in it. alike: no other program at all."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.noticed: set[Key] = set()
        self.survived: set[Key] = set()
        self.alike: set[Key] = set()
        for line in path.read_text("utf-8").splitlines() if path is not None and path.exists() else []:
            module, source, place, *what = json.loads(line)
            self._of(what[0] if what else "").add((module, source, place))

    def _of(self, what: str) -> set[Key]:
        return {"": self.noticed, "survives": self.survived, "alike": self.alike}[what]

    def add(self, key: Key, *, noticed: bool | None) -> None:
        """noticed: None where there is nothing to notice."""
        what = "alike" if noticed is None else "" if noticed else "survives"
        self._of(what).add(key)
        if self.path is not None:
            with self.path.open("a", encoding="utf-8") as file:
                print(json.dumps((*key, what) if what else key), file=file)


class Hunt:
    """Counts by module, and the survivors as (module, line, change, text of the line)."""

    def __init__(self) -> None:
        self.total, self.tried, self.noticed = Counter[str](), Counter[str](), Counter[str]()
        self.survivors: list[tuple[str, int, str, str]] = []

    def open(self) -> list[tuple[str, int, str, str]]:
        return [s for s in self.survivors if _why(s) is None]

    def table(self, modules: Sequence[str]) -> Iterator[str]:
        """As in the contributors' page."""
        yield "| module | mutants | tried | noticed | equivalent | open |"
        yield "| --- | --- | --- | --- | --- | --- |"
        alike, left = Counter(s[0] for s in self.survivors if _why(s)), Counter(s[0] for s in self.open())
        counts = (self.total, self.tried, self.noticed, alike, left)
        for module in modules:
            yield f"| `{module}` | " + " | ".join(str(c[module]) for c in counts) + " |"
        yield "| all | " + " | ".join(str(c.total()) for c in counts) + " |"

    def share(self) -> str:
        """How many of what can be noticed is not, with the exact interval."""
        left = len(self.open())
        could = self.tried.total() - (len(self.survivors) - left)
        wide = clopper_pearson(left, could)
        return (f"{could} could be noticed, {left} were not: {100 * left / max(could, 1):.1f} % "
                f"(95 % interval {100 * wide.low:.1f} to {100 * wide.high:.1f} %; goal 2 %).")  # fmt: skip

    def listed(self) -> Iterator[str]:
        """Each survivor with its reason."""
        yield "| survivor | change | why no test notices |"
        yield "| --- | --- | --- |"
        for survivor in sorted(self.survivors):
            module, line, what, text = survivor
            cells = (f"`{module.removeprefix('benchctl.')}:{line}` `{text}`", what, _why(survivor) or "open")
            yield "| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |"


def _why(survivor: tuple[str, int, str, str]) -> str | None:
    module, _line, what, text = survivor
    return EQUIVALENT.get((module, text, what))


def run(modules: Sequence[str], minutes: float, seed: int, keep: Path | None = None, count: int | None = None) -> tuple[Hunt, list[str]]:
    """The outcome, and the tests that were left out. Prints survivors as they are found."""
    import hypothesis  # noqa: F401  imported once, before the forks
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401

    chance, end = random.Random(seed), time.monotonic() + 60 * minutes
    kept, out = Kept(keep), Hunt()
    todo: list[tuple[str, Path, Mutant, Key]] = []
    stages = Stages()
    for module in modules:
        path = ROOT / (module.replace(".", "/") + ".py")
        source = path.read_text("utf-8")
        found = mutants(source)
        out.total[module] = len(found)
        key = hashlib.sha256(source.encode()).hexdigest()[:16]
        todo += [(module, path, m, (module, key, n)) for n, m in enumerate(found)]
    chance.shuffle(todo)
    todo = todo[:count]
    todo.sort(key=lambda one: one[3] not in kept.survived)  # these first: they count, whatever the time is
    print(f"{len(todo)} mutants of {len(modules)} modules, seed {seed}", flush=True)
    gc.collect()
    gc.freeze()  # or every child would copy what its collector looks at
    for module, path, mutant, key in todo:
        if key not in kept.noticed:
            if time.monotonic() > end and key not in kept.survived:
                continue
            faulty, healthy = _made(module, path, mutant.tree()), _made(module, path, None)
            kept.add(key, noticed=stages.notice(TESTS[module], faulty, healthy))
        out.tried[module] += 1
        if key in kept.noticed:
            out.noticed[module] += 1
            continue
        text = path.read_text("utf-8").splitlines()[mutant.line - 1].strip()
        out.survivors.append((module, mutant.line, mutant.what, text))
        print(f"survives: {module}:{mutant.line} {mutant.what}: {text}", flush=True)
    return out, stages.left_out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="as imported, or a part of the name")
    parser.add_argument("--minutes", type=float, default=60.0, help="stop then (60)")
    parser.add_argument("--count", type=int, metavar="N", help="a sample of so many, each as likely as any other")
    parser.add_argument("--seed", type=int, default=1, help="of the order (1)")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="go on from what this file says was noticed")
    parser.add_argument("--write", metavar="NAME", nargs="?", const="mutation",
                        help="write the outcome into tests/campaigns/results, NAME.md (mutation.md)")  # fmt: skip
    arguments = parser.parse_args()
    chosen = [m for m in TESTS if not arguments.modules or any(part in m for part in arguments.modules)]
    os.chdir(ROOT)
    out, left_out = run(chosen, arguments.minutes, arguments.seed, arguments.keep, arguments.count)
    count = [f"--count {arguments.count}"] if arguments.count else []
    called = " ".join(("tests/campaigns/mutation.py", *arguments.modules, *count, f"--seed {arguments.seed}",
                       f"--write {arguments.write or ''}".rstrip()))  # fmt: skip
    lines = [f"`python {called}`", "", out.share(), "", *out.table(chosen), "", *out.listed(),
             *[f"\nLeft out, it fails without any fault: `{name}`" for name in left_out]]  # fmt: skip
    print("\n".join(lines))
    if arguments.write:
        published.put(arguments.write, "Mutation run", lines)
    sys.exit(bool(out.open()))


if __name__ == "__main__":
    main()
