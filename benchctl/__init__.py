"""benchctl: from a freshly soldered pair of radio-control boards to a motor under control, in numbers.

The names in `__all__` are the library: `benchctl help python` shows them in use. A change to one of them is told in the
changelog; everything else in the package is private and may change at any time. They are imported when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchctl.compare import Comparison as Comparison
    from benchctl.errors import BenchctlError as BenchctlError
    from benchctl.errors import BoardError as BoardError
    from benchctl.errors import PortLost as PortLost
    from benchctl.errors import Stopped as Stopped
    from benchctl.errors import UsageError as UsageError
    from benchctl.library.boards import OpenBoard as OpenBoard
    from benchctl.library.gauge import Gauge as Gauge
    from benchctl.library.opened import OpenBench as OpenBench
    from benchctl.library.opened import open_bench as open_bench
    from benchctl.library.runs import Measurements as Measurements
    from benchctl.library.runs import Run as Run
    from benchctl.library.runs import compare_runs as compare_runs
    from benchctl.library.runs import read_run as read_run
    from benchctl.procedure.own_stages import RAMP as TO_SPIN
    from benchctl.stages.contract import Context as Context
    from benchctl.stages.contract import Needs as Needs
    from benchctl.stages.contract import Parameter as Parameter
    from benchctl.stages.contract import ReadingSpec as ReadingSpec
    from benchctl.stages.contract import Stage as Stage
    from benchctl.stages.motor import ControlTraffic as ControlTraffic
    from benchctl.stages.motor import drive_of as motor_drive
    from benchctl.terms import Interval as Interval
    from benchctl.terms import Limit as Limit
    from benchctl.terms import Reading as Reading
    from benchctl.terms import Role as Role
    from benchctl.terms import Source as Source
    from benchctl.terms import Verdict as Verdict
    from benchctl.wire import msg as messages

__version__ = "0.1.0"

#: public name -> module, and the name there where it is another; "" is the module itself
_FROM = {
    "open_bench": "library.opened", "OpenBench": "library.opened", "OpenBoard": "library.boards",
    "Gauge": "library.gauge",
    "read_run": "library.runs", "compare_runs": "library.runs", "Run": "library.runs", "Measurements": "library.runs",
    "Comparison": "compare", "Reading": "terms", "Interval": "terms", "Limit": "terms", "Verdict": "terms",
    "Role": "terms", "Source": "terms",
    "Stage": "stages.contract", "Context": "stages.contract", "Needs": "stages.contract",
    "Parameter": "stages.contract", "ReadingSpec": "stages.contract",
    "TO_SPIN": "procedure.own_stages:RAMP", "ControlTraffic": "stages.motor", "motor_drive": "stages.motor:drive_of",
    "messages": "wire.msg:",
    "BenchctlError": "errors", "BoardError": "errors", "PortLost": "errors", "Stopped": "errors",
    "UsageError": "errors",
}  # fmt: skip

__all__ = [
    "TO_SPIN",
    "BenchctlError",
    "BoardError",
    "Comparison",
    "Context",
    "ControlTraffic",
    "Gauge",
    "Interval",
    "Limit",
    "Measurements",
    "Needs",
    "OpenBench",
    "OpenBoard",
    "Parameter",
    "PortLost",
    "Reading",
    "ReadingSpec",
    "Role",
    "Run",
    "Source",
    "Stage",
    "Stopped",
    "UsageError",
    "Verdict",
    "__version__",
    "compare_runs",
    "messages",
    "motor_drive",
    "open_bench",
    "read_run",
]

if not TYPE_CHECKING:  # a misspelt name is an error for type checkers

    def __getattr__(name: str) -> object:
        if name not in _FROM:
            raise AttributeError(f"module 'benchctl' has no attribute {name!r}")
        where, colon, inner = _FROM[name].partition(":")
        found = import_module(f"benchctl.{where}")
        value = found if colon and not inner else getattr(found, inner or name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted(__all__)
