"""What the safety code needs of a running stage; structural, fulfilled by the stages' Context."""

from __future__ import annotations

from typing import Any, Protocol

from benchctl.bench import Bench
from benchctl.events import Emit, PromptKind
from benchctl.session.board import Board
from benchctl.terms import Role


class StageAccess(Protocol):
    """A stage's time, boards, events and prompts."""

    stage: str
    bench: Bench
    emit: Emit

    def now(self) -> float: ...

    def wait(self, seconds: float) -> None: ...

    def board(self, role: Role) -> Board: ...

    def ask(self, kind: PromptKind, text: str, action: str, **more: Any) -> str: ...
