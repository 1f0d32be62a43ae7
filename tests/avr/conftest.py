"""Tests of the AVR bench: skipped with the reason where its tools are missing, failed where they must be there."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from needs import need

from benchctl.avr.build_shim import INSTALL, available
from benchctl.avr.chip import Chip, Reset
from benchctl.avr.lockstep import Lockstep
from benchctl.parts.agenda import Agenda

FIRMWARE = Path(__file__).parent


@pytest.fixture(scope="session")
def avr_tools() -> None:
    """The simulator library and avr-gcc; BENCHCTL_REQUIRE_AVR=1 turns a skip into a failure."""
    reason = available()
    if reason is None and shutil.which("avr-gcc") is None:
        reason = f"the avr bench's tests need avr-gcc: {INSTALL}"
    need(reason)


@pytest.fixture(scope="session")
def build(avr_tools: None, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """build("echo", DIVISOR=1): the ELF file of firmware_echo.c with these defines; compiled once a session."""
    folder = tmp_path_factory.mktemp("firmware")
    made: dict[str, Path] = {}

    def compiled(name: str, f_cpu: int = 16_000_000, **defines: int) -> Path:
        flags = [f"-DF_CPU={f_cpu}UL"] + [f"-D{k}={v}" for k, v in sorted(defines.items())]
        key = name + "".join(flags)
        if key not in made:
            out = folder / f"{len(made)}.elf"
            source = FIRMWARE / f"firmware_{name}.c"
            command = ["avr-gcc", "-Os", "-std=gnu11", "-mmcu=atmega328p", *flags, "-o", str(out), str(source)]
            subprocess.run(command, check=True)
            made[key] = out
        return made[key]

    return compiled


class Rig:
    """Chips and an agenda in step, from power-on."""

    def __init__(self, chips: tuple[Chip, ...], wired: bool = False) -> None:
        self.agenda = Agenda()
        self.lockstep = Lockstep(self.agenda, chips, wired)
        for chip in chips:
            chip.release(Reset.POWER_ON)

    def run(self, seconds: float) -> None:
        self.lockstep.run_until(self.lockstep.now + seconds)

    def ask(self, chip: Chip, data: bytes, seconds: float = 0.005) -> bytes:
        """What the chip answers to these bytes within so many seconds."""
        chip.send(data, self.lockstep.now)
        self.run(seconds)
        return chip.receive_bytes()


@pytest.fixture
def rig(avr_tools: None) -> Iterator[Callable[..., Rig]]:
    """rig(chip, …, wired=False): the chips powered on and in step; closed after the test."""
    rigs: list[Rig] = []

    def make(*chips: Chip, wired: bool = False) -> Rig:
        rigs.append(Rig(chips, wired))
        return rigs[-1]

    yield make
    for r in rigs:
        r.lockstep.close()
