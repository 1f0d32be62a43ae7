"""The user's own defaults, from a small TOML file in the platform's usual place. No file: the built-in ones.

The terminal UI keeps `speed` and `look` there as they were last chosen; every other line stays as it is.

bench = "sim"            # used where no --bench is given
pair = "mine"            # used for the bench ports where no --pair is given
runs = "~/mudlark/runs"  # where run folders are kept
speed = 1.0              # rehearsals on screen; 0 is as fast as it goes
look = "dark"            # dark, light, terminal; none: as the terminal
ports = ["~/bench/*"]    # looked at besides those that the system lists
"""

from __future__ import annotations

import glob
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchctl.errors import UsageError

#: key -> (type, what is expected)
_KEYS: dict[str, tuple[type | tuple[type, ...], str]] = {
    "bench": (str, "a text: sim, avr, ports, a shipped bench or a bench file"),
    "pair": (str, "a text: a pair's name or a pair file"),
    "runs": (str, "a text: a folder"),
    "speed": ((int, float), "a number from 0"),
    "look": (str, "one of dark, light, terminal"),
    "ports": (list, "a list of texts: names of ports, patterns of such names, or URLs"),
}
LOOKS = ("dark", "light", "terminal")


@dataclass(frozen=True, slots=True)
class Preferences:
    """bench: default bench. runs: default folder of runs, None for the platform's. speed: of the UI's rehearsals.
    look: of the UI, "" to follow the terminal. pair: default pair of the bench ports, "" for none.
    ports: names, patterns or URLs of ports that the system does not list."""

    bench: str = "sim"
    runs: Path | None = None
    speed: float = 1.0
    look: str = ""
    pair: str = ""
    ports: tuple[str, ...] = ()

    def more_ports(self) -> list[str]:
        """The ports of the preferences that are there now; URLs as they stand."""
        found: list[str] = []
        for one in self.ports:
            found += [one] if "://" in one else sorted(glob.glob(str(Path(one).expanduser())))
        return list(dict.fromkeys(found))


def path() -> Path:
    """Where the file is looked for."""
    from platformdirs import user_config_path

    return user_config_path("benchctl", appauthor=False) / "benchctl.toml"


def load(file: Path | None = None) -> Preferences:
    """The user's defaults. Raises UsageError naming file, key and what was expected."""
    file = path() if file is None else file
    try:
        top = tomllib.loads(file.read_text("utf-8"))
    except FileNotFoundError:
        return Preferences()
    except OSError as e:
        raise UsageError(f"preferences {file}: cannot be read ({e.strerror or e})") from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
        raise UsageError(f"preferences {file}: not TOML: {e}") from e
    for key, value in top.items():
        _check(file, key, value)
    runs = top.get("runs")
    folder = Path(runs).expanduser() if runs else None
    return Preferences(
        top.get("bench", "sim"),
        folder,
        float(top.get("speed", 1.0)),
        top.get("look", ""),
        top.get("pair", ""),
        tuple(top.get("ports", ())),
    )


def remember(file: Path, key: str, value: float | str) -> None:
    """Put one preference into the file, made where there is none; comments and the other lines are kept.

    Raises UsageError when the file cannot be read or written.
    """
    load(file)  # what is not right is not made worse
    text = f'"{value}"' if isinstance(value, str) else f"{value:g}"
    try:
        lines = file.read_text("utf-8").splitlines() if file.exists() else []
        lines = [one for one in lines if one.partition("=")[0].strip() != key] + [f"{key} = {text}"]
        file.parent.mkdir(parents=True, exist_ok=True)
        fresh = file.with_name(f"{file.name}.new")
        fresh.write_text("\n".join(lines) + "\n", "utf-8")
        fresh.replace(file)
    except OSError as e:
        raise UsageError(f"preferences {file}: cannot be written ({e.strerror or e})") from e


def _check(file: Path, key: str, value: Any) -> None:
    if key not in _KEYS:
        raise UsageError(f"preferences {file}: unknown key {key!r}; expected one of {', '.join(_KEYS)}")
    kind, expected = _KEYS[key]
    fits = isinstance(value, kind) and not isinstance(value, bool)
    wrong = (key == "speed" and fits and not 0 <= value < float("inf")) or (key == "look" and value not in LOOKS)
    wrong |= key == "ports" and fits and not all(isinstance(one, str) for one in value)
    if not fits or wrong:
        raise UsageError(f"preferences {file}, {key}: expected {expected}, got {value!r}")
