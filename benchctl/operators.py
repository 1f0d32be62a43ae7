"""Who answers prompts besides the simulated operator: a person through some screen, a file of answers, nobody."""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

from benchctl.errors import OperatorAbsent, UsageError
from benchctl.events import Prompt, PromptKind


def chosen(prompt: Prompt, typed: str) -> str | None:
    """What a person means who has typed that: of choices the one that is it or alone begins so, in capitals or not.

    None when it is none of them; whatever is typed where there are no choices.
    """
    if not prompt.choices:
        return typed
    word = typed.casefold()
    exact = [choice for choice in prompt.choices if choice.casefold() == word]
    begun = [choice for choice in prompt.choices if word and choice.casefold().startswith(word)]
    fitting = exact or begun
    return fitting[0] if len(fitting) == 1 else None


class NoOperator:
    """Nobody is there: every prompt that needs an answer ends the stage undecided."""

    by = "none"

    def show(self, prompt: Prompt) -> None:
        return

    def answer_nowait(self, prompt: Prompt) -> str | None:
        raise OperatorAbsent(f"nobody is there to answer: {prompt.text}")

    def withdraw(self, prompt: Prompt) -> None:
        return


class PersonOperator:
    """A person at a screen: `give` is called by the screen, from any thread; the stage polls.

    on_show, on_withdraw: told by the stage's thread, for screens that do not read the run's events.
    """

    by = "person"

    def __init__(
        self, on_show: Callable[[Prompt], None] | None = None, on_withdraw: Callable[[Prompt], None] | None = None
    ) -> None:
        self._answers: dict[int, str] = {}
        self._lock = threading.Lock()
        self._on_show = on_show
        self._on_withdraw = on_withdraw
        self._gone = ""

    def show(self, prompt: Prompt) -> None:
        if self._on_show is not None:
            self._on_show(prompt)

    def give(self, prompt_id: int, text: str) -> None:
        """The person has answered."""
        with self._lock:
            self._answers[prompt_id] = text

    def leave(self, why: str) -> None:
        """The person is gone for good (end of input); every later prompt raises OperatorAbsent."""
        self._gone = why

    def answer_nowait(self, prompt: Prompt) -> str | None:
        with self._lock:
            if prompt.id in self._answers:
                return self._answers.pop(prompt.id)
        if self._gone:
            raise OperatorAbsent(f"nobody is there to answer ({self._gone}): {prompt.text}")
        return None

    def withdraw(self, prompt: Prompt) -> None:
        with self._lock:
            self._answers.pop(prompt.id, None)
        if self._on_withdraw is not None:
            self._on_withdraw(prompt)


class FileOperator:
    """Answers from a TOML file: a table per stage, `action = "answer"` or `action = ["first", "second"]`.

    Challenges cannot be answered from a file: nobody was there to see the blinks or to read the word.
    """

    by = "file"

    def __init__(self, answers: Mapping[str, Mapping[str, list[str]]]) -> None:
        self._answers = {stage: {a: list(texts) for a, texts in table.items()} for stage, table in answers.items()}
        self._given: dict[int, str] = {}

    @classmethod
    def load(cls, path: Path) -> FileOperator:
        """Read an answers file. Raises UsageError naming the place and what was expected."""
        try:
            top = tomllib.loads(path.read_text("utf-8"))
        except OSError as e:
            raise UsageError(f"answers {path}: cannot be read ({e.strerror or e})") from e
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
            raise UsageError(f"answers {path}: not TOML: {e}") from e
        return cls({stage: cls._table(path, stage, table) for stage, table in top.items()})

    @staticmethod
    def _table(path: Path, stage: str, table: object) -> dict[str, list[str]]:
        if not isinstance(table, dict):
            raise UsageError(f"answers {path}, {stage}: expected a table [{stage}] of action = answer")
        out = {}
        for action, given in table.items():
            texts = given if isinstance(given, list) else [given]
            if not all(isinstance(t, str | int | float) and not isinstance(t, bool) for t in texts):
                raise UsageError(f"answers {path}, {stage}.{action}: expected a text, a number or a list of them")
            out[action] = [str(t) for t in texts]
        return out

    def show(self, prompt: Prompt) -> None:
        queue = self._answers.get(prompt.stage, {}).get(prompt.action, [])
        if queue and prompt.kind not in (PromptKind.COUNT, PromptKind.WORD):
            self._given[prompt.id] = queue.pop(0)

    def answer_nowait(self, prompt: Prompt) -> str | None:
        if prompt.id in self._given:
            return self._given.pop(prompt.id)
        if prompt.kind is PromptKind.DO:
            return None
        raise OperatorAbsent(f"the answers file has no answer for {prompt.stage}.{prompt.action}")

    def withdraw(self, prompt: Prompt) -> None:
        self._given.pop(prompt.id, None)
