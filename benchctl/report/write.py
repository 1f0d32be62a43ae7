"""A run's reports as files beside its log, and one report of a recorded run in a chosen form."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from benchctl.errors import UsageError
from benchctl.runs.log import read
from benchctl.runs.summary import Summary, summarise

#: form -> file name in the run folder
FILES: Mapping[str, str] = {
    "html": "report.html",
    "text": "report.txt",
    "json": "report.json",
    "junit": "report.xml",
    "tap": "report.tap",
}


def _renderer(form: str) -> Callable[[Summary, Path], str]:
    """The renderer of a form, imported when wanted: HTML needs the plotting library."""
    if form == "html":
        from benchctl.report import as_html

        return as_html.render
    if form == "certificate":
        from benchctl.report.certificate import certificate

        return lambda summary, folder: certificate(summary)
    if form == "json":
        from benchctl.report import as_json

        return lambda summary, folder: as_json.render(summary)
    if form == "junit":
        from benchctl.report import as_junit

        return lambda summary, folder: as_junit.render(summary)
    if form == "tap":
        from benchctl.report import as_tap

        return lambda summary, folder: as_tap.render(summary)
    if form == "text":
        from benchctl.report import as_text

        return lambda summary, folder: as_text.render(summary)
    raise UsageError(f"no report form {form!r}; expected one of {', '.join((*FILES, 'certificate'))}")


def write_reports(folder: Path, summary: Summary) -> None:
    """Write every form into the run folder. Raises UsageError when the folder cannot be written."""
    for form, name in FILES.items():
        try:
            (folder / name).write_text(_renderer(form)(summary, folder), "utf-8")
        except OSError as e:
            (folder / name).unlink(missing_ok=True)  # half a report is worse than none: it can be made anew
            raise UsageError(f"{folder / name}: cannot be written ({e.strerror or e})") from e


def render_run(folder: Path, form: str) -> str:
    """A recorded run, read from its log and rendered. Raises UsageError for a folder that is no run."""
    log = read(folder)
    summary = summarise(log.events)
    summary.close(log.missing)
    return _renderer(form)(summary, folder)
