"""Mutants that no test can notice, because the changed program does the same: why, for `mutation.py`."""

from __future__ import annotations

_FIRST = "only what stands before the first zero byte is taken"
_SLOW = "such a frame goes the slow way instead, with the same result"
_ROUNDED = "a cap is 30 % at most: it rounds to the same permille"
_EQUAL = "equal versions have left before"

#: (module, text of the line, change) -> reason
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (f"benchctl.{module}", line, change): reason
    for module, line, change, reason in (
        ("wire.framing", "if lengths and (min(lengths) < _LEAST_PART or max(lengths) > MAX_FRAME):", "Lt -> LtE", _SLOW),
        ("wire.framing", "if lengths and (min(lengths) < _LEAST_PART or max(lengths) > MAX_FRAME):", "Gt -> GtE", _SLOW),
        ("wire.fields", r'return value.split(b"\0", 1)[0].decode("utf-8", "replace")', "1 + 1", _FIRST),
        ("session.board", "continue", "statement removed", "the last statement of its loop"),
        ("session.board", "raise", "statement removed", "the line before always raises"),
        ("session.boot", 'older = "older" if protocol < PROTOCOL else "newer"', "Lt -> LtE", _EQUAL),
        ("session.boot", 'todo = f"flash it with `benchctl flash {port}`" if protocol < PROTOCOL else "update benchctl"',
         "Lt -> LtE", _EQUAL),
        ("safety.interlock", "most = round(1000 * self.cap)", "1000 + 1", _ROUNDED),
        ("safety.interlock", "most = round(1000 * self.cap)", "1000 - 1", _ROUNDED),
        ("safety.drive", 'answer = self._board.ask(msg.Throttle(**fields), timeout=ANSWER_S, repeats=0)', "0 + 1",
         "throttle is no request that may be repeated, whatever is asked for"),
        ("runs.log", "table = np.asarray(event.data, np.float64).reshape(-1, len(event.columns))", "1 + 1",
         "numpy takes any negative number for as many rows as there are"),
    )
}  # fmt: skip
