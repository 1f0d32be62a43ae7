"""Evidence about the inertial sensor; see `evidence`."""

from __future__ import annotations

from benchctl import facts as fc
from benchctl.findings.record import Answer, Known, RecordQuery, named_value
from benchctl.terms import Reading, Role, Verdict


def absent(record: RecordQuery, role: Role) -> Answer:
    """Whether no inertial sensor was found."""
    absent = record.fact(fc.SensorAbsent, "inertial")
    if absent is not None:
        return Known(True, absent.sentence())
    found = record.one("address", "inertial")
    return None if found is None else Known(False, _at(found))


def address(record: RecordQuery, role: Role) -> Answer:
    """Whether it answers at another address than declared."""
    found = record.one("address", "inertial")
    if found is None:
        return None
    elsewhere = record.fact(fc.SensorElsewhere, "inertial")
    return Known(elsewhere is not None, elsewhere.sentence() if elsewhere is not None else _at(found))


def _at(address: Reading) -> str:
    return f"the inertial sensor answers at 0x{int(address.value):02X}"


def self_test(record: RecordQuery, role: Role) -> Answer:
    """Whether a self-test is beyond its limit."""
    names = [f"self_test_{sensor}_{axis}" for sensor in ("accel", "gyro") for axis in "xyz"]
    found = [r for name in names for r in record.all(name, "inertial")]
    bad = [r for r in found if r.verdict is Verdict.FAIL]
    return Known(bool(bad), ", ".join(map(named_value, bad)) or "self-test within 14 %") if found else None
