"""The firmware's pure parts compiled for this machine, behind ctypes."""

import ctypes
import shutil
import subprocess
from pathlib import Path

import pytest
from guard_rig import CAP, FULL, IDLE, LABEL, SILENCE, SLEW, TURNER, Rig
from needs import need_program

HERE = Path(__file__).parent
SOURCES = HERE.parents[1] / "firmware_probe"
FLAGS = ["-std=gnu++11", "-O1", "-fshort-enums", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]


@pytest.fixture(scope="session")
def library(tmp_path_factory):
    """Path of the shared object; skipped where there is no g++, unless BENCHCTL_REQUIRE_AVR says it must be there."""
    need_program("g++")
    out = tmp_path_factory.mktemp("firmware") / "probe.so"
    pure = [str(p) for p in sorted(SOURCES.glob("*.cpp")) if not p.name.startswith("hw_") and p.name != "main.cpp"]
    subprocess.run(["g++", *FLAGS, f"-I{SOURCES}", "-o", str(out), str(HERE / "host_hw.cpp"), *pure], check=True)
    return out


@pytest.fixture
def probe(library, tmp_path):
    """A fresh copy of the whole program: its static state starts at zero."""
    copy = tmp_path / "probe.so"
    shutil.copyfile(library, copy)
    loaded = ctypes.CDLL(str(copy))
    loaded.crc_of_image.restype = ctypes.c_uint32
    loaded.guard_challenge.restype = ctypes.c_uint32
    return loaded


@pytest.fixture
def rig(probe):
    return Rig(probe)


@pytest.fixture
def turner(probe):
    """Channel 3 is a confirmed reversible controller."""
    rig = Rig(probe)
    probe.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (TURNER - 1), 1 << (TURNER - 1), 0)
    nonce = probe.guard_challenge(TURNER, 0, 1)
    assert probe.guard_arm(TURNER, nonce, LABEL, LABEL, 300)
    return rig
