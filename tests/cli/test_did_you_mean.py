"""A name that is nearly right is answered with the right one; keys are laid out for the terminal that shows them."""

from __future__ import annotations

import pytest

from benchctl.benchfile.reference import for_terminal
from benchctl.cli import main


@pytest.mark.parametrize("typed", ["bringup", "bring_up", "brin-up"])
def test_a_procedure_that_is_nearly_right(typed: str, capsys) -> None:
    assert main(["run", typed, "--bench", "sim"]) == 2
    assert "did you mean bring-up?" in capsys.readouterr().err


@pytest.mark.parametrize("width", [60, 79, 119])
def test_keys_fit_the_terminal(width: int) -> None:
    """No table's bars, no line too long but a key with its default alone."""
    rows = for_terminal(width).splitlines()

    assert len(rows) > 300
    assert not any("|" in row for row in rows)
    assert all(len(row) <= width for row in rows if " = " not in row)
