"""Loads the tables of a run by what the summary says of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchctl.errors import UsageError
from benchctl.runs.log import table_path
from benchctl.runs.samples import read_table
from benchctl.runs.summary import Table


class Tables:
    """Call it with a `Table`: float64, shape (rows, columns); fewer rows where files are torn or missing."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, table: Table) -> npt.NDArray[np.float64]:
        parts = [p for p in (self._part(f, n) for f, n in table.files) if p.shape[1] == len(table.columns)]
        return np.concatenate(parts) if parts else np.empty((0, len(table.columns)))

    def _part(self, name: str, rows: int) -> npt.NDArray[np.float64]:
        try:
            return read_table(table_path(self.folder, name), rows)
        except UsageError:  # the summary's `missing` names it
            return np.empty((0, 0))
