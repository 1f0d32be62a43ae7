"""The host of the kill test: attests, arms and ramps the throttle up and down over a serial port until it is killed.

`host_ramp.py BENCH_FILE [script]`; with the latter the bench is opened as scripts do it, by the library. The person is a stand-in that types each word back; benches of kind "serial" take it for a
person only because this is not the tool's own simulated operator, which they refuse.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, open_bench
from benchctl.bench import Bench
from benchctl.errors import BenchctlError, Stopped
from benchctl.events import Event, Prompt
from benchctl.operators import PersonOperator
from benchctl.safety.attesting import attest_all
from benchctl.safety.drive import Drive
from benchctl.safety.interlock import Interlock
from benchctl.stages.contract import Context
from benchctl.terms import Role


def quiet(event: Event) -> None:
    """No run log here."""


def main(file: str, through: str = "") -> None:
    if through == "script":
        with open_bench(file) as opened:  # no person can be handed to it: this one is put inside
            drive(opened._bench)
    drive(benches.open_bench(file))


def drive(bench: Bench) -> None:

    def type_back(prompt: Prompt) -> None:
        person.give(prompt.id, prompt.detail.split()[-1])

    person = PersonOperator(type_back)
    bench.operator = person
    lock = Interlock(0.2)
    access = Context("ramp", bench, {}, {}, quiet, interlock=lock)
    access.board(Role.CRAFT).open()
    while True:
        try:
            access.board(Role.CRAFT).clear_restart()
            why = attest_all(access, lock)
            assert not why, why
            ramp(Drive(access, lock, Role.CRAFT, 2))
        except Stopped:
            return
        except BenchctlError as e:
            # a busy machine may answer too late: start all over, as a person would
            print(e, flush=True)
            lock.lapse()


def ramp(drive: Drive) -> None:
    drive.arm()
    while True:
        for permille in (20, 50, 100, 150, 200, 100):
            drive.hold_throttle(permille, 0.4)


if __name__ == "__main__":
    main(*sys.argv[1:])
