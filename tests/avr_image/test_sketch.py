"""The folder is a sketch of the usual IDE, too: with its start-up code and its own flags it links and fits."""

import subprocess
from pathlib import Path

import pytest
from needs import needs

FIRMWARE = Path(__file__).parents[2] / "firmware_probe"
CORE = Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino")
#: flash beside the usual boot loader of 512 bytes
ROOM = 32256
FLAGS = [
    *("-mmcu=atmega328p", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR", "-Os", "-flto", "-w"),
    *("-fpermissive", "-ffunction-sections", "-fdata-sections", "-fno-exceptions", "-fno-threadsafe-statics"),
]
#: what the IDE links of its core into a sketch that uses nothing of it
NEEDED = ("main.cpp", "wiring.c", "hooks.c")


@pytest.mark.usefixtures("avr_gcc")
@needs("" if CORE.is_dir() else "the package arduino-core-avr is not installed")
def test_sketch_links_and_fits(tmp_path):
    sketch = tmp_path / "sketch.cpp"
    sketch.write_text("#include <Arduino.h>\n" + (FIRMWARE / "firmware_probe.ino").read_text())
    include = [f"-I{CORE}", f"-I{CORE.parents[1] / 'variants' / 'standard'}", f"-I{FIRMWARE}"]
    objects = []
    for source in (sketch, *sorted(FIRMWARE.glob("*.cpp")), *(CORE / name for name in NEEDED)):
        out = tmp_path / f"{len(objects)}.o"
        language = "-std=gnu11" if source.suffix == ".c" else "-std=gnu++11"
        compiler = "avr-gcc" if source.suffix == ".c" else "avr-g++"
        subprocess.run([compiler, *FLAGS, language, *include, "-c", str(source), "-o", str(out)], check=True)
        objects.append(str(out))
    elf = tmp_path / "sketch.elf"
    subprocess.run(
        ["avr-gcc", "-mmcu=atmega328p", "-Os", "-flto", "-w", "-Wl,--gc-sections", "-o", str(elf), *objects], check=True
    )
    text = subprocess.run(["avr-size", "-A", str(elf)], check=True, capture_output=True, text=True).stdout
    size = {w[0]: int(w[1]) for w in (line.split() for line in text.splitlines()) if len(w) == 3 and w[1].isdigit()}

    assert size[".text"] + size[".data"] <= ROOM
