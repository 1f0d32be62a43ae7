"""The mutation runs themselves: what they change, and that no excuse for a survivor outlives its line."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from needs import needs

from tests.campaigns import mutation
from tests.campaigns.equivalent import EQUIVALENT

ROOT = Path(__file__).parents[1]
FIRMWARE = ROOT / "firmware_probe"
NEEDS_PARSER = needs("" if importlib.util.find_spec("tree_sitter_cpp") else "module tree_sitter_cpp is not installed")


def lines_of(module: str) -> list[str]:
    file = ROOT / f"{module.replace('.', '/')}.py" if "." in module else FIRMWARE / f"{module}.cpp"
    return [line.strip() for line in file.read_text("utf-8").splitlines()]


@pytest.mark.parametrize("module", sorted({module for module, _, _ in EQUIVALENT}))
def test_every_equivalent_mutants_line_is_there(module: str) -> None:
    text = set(lines_of(module))

    assert [line for m, line, _ in EQUIVALENT if m == module and line not in text] == []


def test_a_modules_mutants() -> None:
    """Comparison, sum, condition, constant and statement; docstrings and annotations are left alone."""
    found = mutation.mutants('"""One."""\ndef f(a: "1"):\n    if a:\n        print(a + 2)\n    return a < 3\n')

    assert {m.what for m in found} == {
        "condition negated", "statement removed", "Add -> Sub", "2 + 1", "2 - 1", "Lt -> LtE", "3 + 1", "3 - 1",
    }  # fmt: skip


@NEEDS_PARSER
def test_a_firmware_files_mutants() -> None:
    """The same of C++; preprocessor lines, texts, comments and types are left alone."""
    from tests.campaigns.cpp_mutants import mutants

    source = b"""// 7
#define N 7
#if N > 3
static uint8_t f(uint8_t a) {
  if (!ready || a) stop(a);
  while (a < 0x10) a += 2;
  return true;
}
#endif
"""
    found = mutants(source)

    assert {(m.line, m.what) for m in found} == {
        (5, "! removed"), (5, "|| -> &&"), (5, "condition negated"), (5, "statement removed"), (6, "< -> <="),
        (6, "0x10 + 1"), (6, "0x10 - 1"), (6, "+= -> -="), (6, "2 + 1"), (6, "2 - 1"), (6, "statement removed"),
        (7, "true negated"),
    }  # fmt: skip
    negated = next(m for m in found if m.what == "condition negated")
    assert b"if (!(!ready || a)) stop(a);" in negated.applied(source)


@NEEDS_PARSER
def test_every_source_of_the_firmware_run_is_there() -> None:
    from tests.campaigns.mutation_firmware import BOARD_TESTS, HOST_TESTS

    stages = [tests for named in (BOARD_TESTS, HOST_TESTS, mutation.TESTS) for one in named.values() for tests in one]
    asked = [test for tests in stages for test in tests]
    assert [name for name in BOARD_TESTS if not (FIRMWARE / f"{name}.cpp").is_file()] == []
    assert [test for test in asked if test.startswith("tests/") and not (ROOT / test).exists()] == []
