"""Public functions say what they do: nine in ten at least have a docstring, their own or their contract's."""

from __future__ import annotations

import ast
from collections.abc import Iterator

from test_layers import modules

from benchctl.wire.catalogue import BY_NAME

#: of all public functions and methods; generated code is not counted
LEAST = 0.9
#: what the screen library calls by name, and what the wire's catalogue describes: methods that fulfil a contract there
HOOKS = ("action_", "on_", "watch_", "compose", "render", "get_", "check_")


def functions(tree: ast.Module) -> Iterator[tuple[ast.ClassDef | None, ast.FunctionDef]]:
    """Public functions and methods with the class they are in; setters go with their getters."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield None, node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for one in node.body:
                setter = isinstance(one, ast.FunctionDef) and any(
                    isinstance(d, ast.Attribute) and d.attr == "setter" for d in one.decorator_list
                )
                if isinstance(one, ast.FunctionDef) and not one.name.startswith("_") and not setter:
                    yield node, one


def contracts(trees: list[ast.Module]) -> set[str]:
    """Names of documented methods of protocols and of classes that others are made from."""
    classes = [n for tree in trees for n in ast.walk(tree) if isinstance(n, ast.ClassDef)]
    bases = {ast.unparse(b).partition("[")[0].rpartition(".")[2] for c in classes for b in c.bases}
    return {
        one.name
        for c in classes
        if c.name in bases or any("Protocol" in ast.unparse(b) for b in c.bases)
        for one in c.body
        if isinstance(one, ast.FunctionDef) and ast.get_docstring(one)
    }


def test_public_functions_have_docstrings() -> None:
    trees = {name: tree for name, tree in modules() if name != "wire.msg"}
    known = contracts(list(trees.values()))
    missing, count = [], 0
    for name, tree in trees.items():
        for inside, one in functions(tree):
            count += 1
            by_contract = inside is not None and (
                one.name in known
                or (name.startswith("sim.") and one.name in BY_NAME)
                or (name.startswith("tui.") and one.name.startswith(HOOKS))
            )
            if not (ast.get_docstring(one) or by_contract):
                missing.append(f"{name}: {inside.name + '.' if inside else ''}{one.name}")

    assert len(missing) <= (1 - LEAST) * count, f"{len(missing)} of {count} without one: " + ", ".join(missing)
