"""Building markup that cannot be broken out of: every text is escaped unless it is `Markup` already."""

from __future__ import annotations

import html

from benchctl.report.words import clean
from benchctl.units import unbroken

#: elements without an end tag
_VOID = frozenset(("meta", "br", "hr", "col", "rect", "line", "circle", "path"))


class Markup(str):
    """Text that is markup; made by `el` and `joined` only."""

    __slots__ = ()


def text(value: object) -> Markup:
    """Any text, with control characters taken out and escaped."""
    return value if isinstance(value, Markup) else Markup(html.escape(unbroken(clean(str(value))), quote=True))


def joined(*parts: object) -> Markup:
    return Markup("".join(text(p) for p in parts if p is not None))


def el(name: str, /, *content: object, **attributes: object) -> Markup:
    """An element. Attributes that are None are left out; a trailing "_" of a name is dropped, others become "-"."""
    told = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{text(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{told}>" if name in ("meta", "br", "hr", "col") else f"<{name}{told}/>")
    return Markup(f"<{name}{told}>{joined(*content)}</{name}>")
