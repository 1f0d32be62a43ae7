"""Run folders: names, one writer at a time, sealing, listing, checking.

A run folder holds the log, the tables beside it and, once made, the reports. At its end it is sealed: a manifest of
SHA-256 sums is written and everything becomes read-only. A sealed run is never written again.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import sys
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import IO

from benchctl.errors import RecordLost, UsageError
from benchctl.locks import try_lock
from benchctl.runs.log import LOG
from benchctl.runs.samples import sync_folder

MANIFEST = "manifest.json"
LOCK = "lock"


def run_name(wall: str, procedure: str, short: str) -> str:
    """The name of a run and its folder: "20260314-101530-bring-up-3fa9".

    wall: UTC, ISO 8601. procedure: its name. short: a few letters that tell runs of one second apart.
    """
    moment = datetime.fromisoformat(wall)
    words = [re.sub(r"[^a-z0-9]+", "-", w.lower()).strip("-") for w in (procedure, short)]
    return "-".join([f"{moment:%Y%m%d-%H%M%S}", words[0][:40] or "run", words[1][:12] or "0"])


class RunFolder:
    """A run folder being written: holds the lock from `create` to `close`."""

    def __init__(self, path: Path, lock: IO[bytes]) -> None:
        self.path = path
        self._lock = lock

    @classmethod
    def create(cls, path: Path) -> RunFolder:
        """Make a new run folder, or take an empty one, and lock it.

        Raises UsageError when it holds a run already or another process writes to it, RecordLost when the system
        does not let us write there.
        """
        try:
            path.mkdir(parents=True, exist_ok=True)
            lock = open(path / LOCK, "ab", buffering=0)  # noqa: SIM115  closed by close()
        except FileExistsError as e:
            raise UsageError(f"{path} is a file, a run needs a folder") from e
        except PermissionError as e:
            if (path / MANIFEST).exists():
                raise UsageError(f"{path} holds a run already; a run is never written over") from e
            raise RecordLost(f"cannot write {path}: {e.strerror}") from e
        except OSError as e:
            raise RecordLost(f"cannot write {path}: {e.strerror}") from e
        if not try_lock(lock):
            lock.close()
            raise UsageError(f"{path} is being written by another benchctl; choose another folder, or wait for it")
        others = sorted(set(os.listdir(path)) - {LOCK})
        if others:
            lock.close()
            what = "a run already" if LOG in others else f"other files ({others[0]})"
            raise UsageError(f"{path} holds {what}; a run is never written over, and needs an empty folder")
        return cls(path, lock)

    def seal(self) -> None:
        """Write the manifest, make everything read-only, let go of the lock. Raises RecordLost."""
        sums = {p.name: _summed(p) for p in _files(self.path)}
        text = json.dumps({"schema": 1, "files": sums}, indent=1, sort_keys=True) + "\n"
        try:
            self._write_manifest(text)
            sync_folder(self.path)
            self.close()
            for p in (*_files(self.path), self.path / MANIFEST):
                p.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
            if sys.platform != "win32":
                self.path.chmod(0o555)
        except OSError as e:
            raise RecordLost(f"cannot seal {self.path}: {e.strerror}") from e

    def _write_manifest(self, text: str) -> None:
        place = self.path / MANIFEST
        with open(place, "x", encoding="utf-8") as f:
            try:
                f.write(text)
                f.flush()
                os.fsync(f.fileno())
            except OSError:
                place.unlink(missing_ok=True)  # half a manifest would call a whole record damaged
                raise

    def close(self) -> None:
        """Let go of the lock. The lock file goes too: it means nothing by itself. May be called twice."""
        if self._lock.closed:
            return
        (self.path / LOCK).unlink(missing_ok=True)
        self._lock.close()

    def __enter__(self) -> RunFolder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def opened(path: Path) -> Path:
    """A path given by a user, checked to be a run folder. Raises UsageError."""
    if not path.exists():
        raise UsageError(f"{path} does not exist; expected a run folder")
    if not path.is_dir():
        raise UsageError(f"{path} is a file; expected a run folder, which holds {LOG}")
    if not (path / LOG).is_file():
        raise UsageError(f"{path} is no run folder: it has no {LOG}")
    return path


def being_written(path: Path) -> bool:
    """Another process, or another part of this one, is writing this run at this moment."""
    try:
        with open(path / LOCK, "rb", buffering=0) as f:
            return not try_lock(f)
    except OSError:
        return False


def sealed(path: Path) -> bool:
    return (path / MANIFEST).is_file()


def verify(path: Path) -> list[str]:
    """What differs from the manifest, one sentence each; nothing when the folder is as it was sealed.

    Raises UsageError when it is not sealed or the manifest cannot be read.
    """
    listed = _manifest(path)
    out: list[str] = []
    found = {p.name: p for p in _files(path)}
    for name, expected in listed.items():
        if name not in found:
            out.append(f"{name} is missing")
        elif _summed(found[name]) != expected:
            out.append(f"{name} was changed after the run")
    return out + [f"{name} was added after the run" for name in sorted(set(found) - set(listed))]


def list_runs(root: Path) -> list[Path]:
    """Every run folder directly below `root`, oldest first by name; none where `root` does not exist.

    Raises UsageError when `root` cannot be read.
    """
    try:
        with os.scandir(root) as entries:
            names = [e.name for e in entries if e.is_dir() and os.path.exists(os.path.join(e.path, LOG))]
    except FileNotFoundError:
        return []
    except OSError as e:
        raise UsageError(f"{root} cannot be read: {e.strerror}") from e
    return [root / n for n in sorted(names)]


def _manifest(path: Path) -> Mapping[str, object]:
    place = path / MANIFEST
    try:
        listed = json.loads(place.read_text("utf-8"))["files"]
    except FileNotFoundError as e:
        raise UsageError(f"{path} is not sealed: it has no {MANIFEST}") from e
    except OSError as e:
        raise UsageError(f"{place} cannot be read: {e.strerror}") from e
    except (ValueError, TypeError, KeyError, RecursionError) as e:
        raise UsageError(f"{place} is damaged; expected an object with the files and their sums") from e
    if not isinstance(listed, dict):
        raise UsageError(f"{place} is damaged; expected an object with the files and their sums")
    return listed


def _files(path: Path) -> Iterator[Path]:
    """Every file that a manifest covers, by name."""
    return (p for p in sorted(path.iterdir()) if p.is_file() and p.name not in (LOCK, MANIFEST))


def _summed(path: Path) -> dict[str, object]:
    try:
        with open(path, "rb") as f:
            digest = hashlib.file_digest(f, "sha256").hexdigest()
    except OSError as e:
        raise RecordLost(f"{path} cannot be read: {e.strerror}") from e
    return {"bytes": path.stat().st_size, "sha256": digest}
