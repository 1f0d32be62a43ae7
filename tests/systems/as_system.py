"""`as_system.py SYSTEM FOLDER`: imports all of the package, and rehearses a stage, with what that system lacks taken away.

Other packages and the standard library are imported first, as they are here: that those work on each system is their
makers' matter. Ours are imported after that, with `sys.platform` of the other system. Prints how many modules there are.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import select
import signal
import sys
import time
import types
from importlib.abc import MetaPathFinder
from pathlib import Path

import benchctl

#: modules, and names in modules, that the standard library's pages call "Availability: Unix", "not Windows", or Linux
MODULES = {
    "win32": ("termios", "fcntl", "pwd", "grp", "resource", "tty", "pty", "syslog", "readline", "curses", "posix"),
    "darwin": ("msvcrt", "winreg", "ossaudiodev", "spwd"),
}
NAMES = {
    "win32": {
        os: ("openpty", "fork", "getuid", "geteuid", "getgid", "ttyname", "mkfifo", "uname", "getpgid", "setsid", "killpg",
             "sched_getaffinity", "getloadavg", "ctermid", "nice", "sysconf", "posix_fadvise"),
        signal: ("SIGHUP", "SIGKILL", "SIGALRM", "SIGUSR1", "SIGWINCH", "SIGTSTP", "SIGCONT", "pthread_kill", "setitimer"),
        select: ("poll", "epoll", "kqueue"),
        time: ("clock_gettime", "CLOCK_BOOTTIME", "CLOCK_MONOTONIC", "tzset"),
    },
    "darwin": {
        os: ("sched_getaffinity", "posix_fadvise", "memfd_create", "eventfd", "pidfd_open"),
        select: ("epoll",),
        time: ("CLOCK_BOOTTIME",),
        signal: ("SIGRTMIN", "SIGPWR", "sigtimedwait"),
    },
}  # fmt: skip
#: built on the system itself, or the program's own start
NOT_IMPORTED = ("benchctl.avr._shim", "benchctl.__main__")


class Taken(MetaPathFinder):
    """Refuses modules, as a system that has not got them."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.names = names

    def find_spec(self, name: str, path: object, target: object = None) -> None:
        if name in self.names:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def everything() -> list[str]:
    names = [m.name for m in pkgutil.walk_packages(benchctl.__path__, "benchctl.")]
    return [n for n in names if n not in NOT_IMPORTED]


def locks() -> types.ModuleType:
    """msvcrt as far as it is used."""
    made = types.ModuleType("msvcrt")
    made.LK_LOCK, made.LK_NBLCK = 1, 2  # type: ignore[attr-defined]
    made.locking = lambda descriptor, mode, count: None  # type: ignore[attr-defined]
    return made


def main(system: str, folder: str) -> int:
    for name in (*everything(), "scipy.special", "scipy.stats", "matplotlib.figure", "matplotlib.backends.backend_svg"):
        importlib.import_module(name)
    for name in [n for n in sys.modules if n == "benchctl" or n.startswith("benchctl.")]:
        del sys.modules[name]
    for module, names in NAMES[system].items():
        for name in names:
            if hasattr(module, name):
                delattr(module, name)
    for name in MODULES[system]:
        sys.modules.pop(name, None)
    sys.meta_path.insert(0, Taken(MODULES[system]))
    sys.platform = system
    if system == "win32":
        sys.modules["msvcrt"] = locks()
    for name in everything():
        importlib.import_module(name)
    print(len(everything()), flush=True)
    return rehearse(Path(folder))


def rehearse(folder: Path) -> int:
    """A whole run on `sim` by the command line, its list, and the sentences about ports."""
    cli = importlib.import_module("benchctl.cli")
    procedure = folder / "one.toml"
    procedure.write_text('name = "one"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0.5\n')
    out = ["--out", str(folder / "runs")]
    code: int = cli.main(["run", str(procedure), "--quiet", "--seed", "1", *out])
    code |= cli.main(["reference", "set", "last", "--runs", str(folder / "runs")])
    code |= cli.main(["runs", "--runs", str(folder / "runs")])
    return code | (0 if cli.main(["run", str(procedure), "--bench", str(folder / "real.toml"), *out]) == 2 else 9)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
