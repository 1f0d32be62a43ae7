"""Small faults in C++ sources, one at a time: every operator, constant, condition and statement in turn.

What is read is the syntax tree of a real parser, so that texts, comments, types and preprocessor lines stay as they are.
A change that does not compile is no mutant; who builds finds that out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import tree_sitter
import tree_sitter_cpp

_BINARY = {
    "<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "&&": "||", "||": "&&", "+": "-", "-": "+",
    "*": "+", "/": "*", "%": "*", "&": "|", "|": "&", "^": "|", "<<": ">>", ">>": "<<",
}  # fmt: skip
_ASSIGNING = {"+=": "-=", "-=": "+=", "|=": "&=", "&=": "|=", "^=": "|=", "<<=": ">>=", ">>=": "<<=", "*=": "+=", "/=": "*="}
_STEPS = {"++": "--", "--": "++"}
_CONDITIONS = ("if_statement", "while_statement", "do_statement", "for_statement", "conditional_expression")
_COMPARING = frozenset(("<", "<=", ">", ">=", "==", "!="))
#: no code of the board's
_SKIPPED = frozenset(("comment", "string_literal", "char_literal", "preproc_include", "preproc_def", "preproc_function_def",
                      "preproc_call", "static_assert_declaration", "attribute_specifier", "attribute_declaration"))  # fmt: skip
_PARSER = tree_sitter.Parser(tree_sitter.Language(tree_sitter_cpp.language()))


@dataclass(frozen=True)
class Mutant:
    """Bytes from `start` to `end` of the source become `new`. what: the change in words."""

    line: int
    what: str
    start: int
    end: int
    new: bytes

    def applied(self, source: bytes) -> bytes:
        return source[: self.start] + self.new + source[self.end :]


def mutants(source: bytes) -> list[Mutant]:
    """All of a source file's, in its order."""
    return sorted(_below(_PARSER.parse(source).root_node), key=lambda m: (m.start, m.end, m.what))


def _below(node: Any) -> Iterator[Mutant]:
    if node.type in _SKIPPED:
        return
    yield from _of(node)
    condition = node.child_by_field_name("condition") if node.type.startswith("preproc_") else None
    for child in node.children:
        if condition is None or child.id != condition.id:
            yield from _below(child)


def _of(node: Any) -> Iterator[Mutant]:
    kind = node.type
    if kind in ("binary_expression", "assignment_expression", "update_expression"):
        operator = node.child_by_field_name("operator")
        table = {"binary_expression": _BINARY, "assignment_expression": _ASSIGNING, "update_expression": _STEPS}[kind]
        if operator is not None and operator.type in table:
            yield _changed(operator, f"{operator.type} -> {table[operator.type]}", table[operator.type])
    elif kind == "number_literal":
        text = node.text.decode()
        yield _changed(node, f"{text} + 1", f"({text} + 1)")
        if _value(text):
            yield _changed(node, f"{text} - 1", f"({text} - 1)")
    elif kind in ("true", "false"):
        yield _changed(node, f"{kind} negated", "false" if kind == "true" else "true")
    elif kind == "unary_expression" and node.children[0].type == "!":
        yield _changed(node.children[0], "! removed", "")
    elif (kind == "expression_statement" and len(node.children) > 1) or kind in ("break_statement", "continue_statement") or (kind == "return_statement" and len(node.children) == 2):
        yield _changed(node, "statement removed", ";")
    if kind in _CONDITIONS:
        yield from _negated(node.child_by_field_name("condition"))


def _negated(condition: Any) -> Iterator[Mutant]:
    """Where it is a comparison, its other operator is a mutant already."""
    inner = condition
    while inner is not None and inner.type in ("condition_clause", "parenthesized_expression"):
        inner = inner.child_by_field_name("value") or next((c for c in inner.children if c.is_named), None)
    if inner is None or inner.type in ("declaration", "init_statement"):
        return
    operator = inner.child_by_field_name("operator") if inner.type == "binary_expression" else None
    if operator is None or operator.type not in _COMPARING:
        yield _changed(inner, "condition negated", f"!({inner.text.decode()})")


def _value(text: str) -> int:
    """Of an integer as the sources write it; 1 for what else there is."""
    try:
        return int(text.rstrip("uUlL").replace("'", ""), 0)
    except ValueError:
        return 1


def _changed(node: Any, what: str, new: str) -> Mutant:
    return Mutant(node.start_point[0] + 1, what, node.start_byte, node.end_byte, new.encode())
