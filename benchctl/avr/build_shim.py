"""Builds the C layer over the AVR simulator library at first use, into the user's cache."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import sys
import sysconfig
import tempfile
from functools import cache
from pathlib import Path
from types import ModuleType

from platformdirs import user_cache_dir

from benchctl.errors import UsageError
from benchctl.locks import locked

HERE = Path(__file__).parent
SOURCES = ("shim.c", "pins.c", "timers.c", "uart.c", "buses.c", "analog.c", "row.c")
NAME = "benchctl.avr._shim"
INSTALL = "apt install gcc-avr avr-libc libsimavr-dev libelf-dev avrdude gcc"

#: what Python calls, and what calls Python; the comments beside the definitions in the C files say what each does
DECLARATIONS = """
typedef struct chip chip;
typedef struct group { double now, horizon, slice; double gather; int stop; ...; } group;
chip *chip_new(void *user, double frequency);
void chip_free(chip *c);
void chip_load(chip *c, const uint8_t *flash, uint32_t size);
void chip_start_at(chip *c, uint32_t pc);
void chip_hold(chip *c);
void chip_release(chip *c, int flag);
void chip_start_delay(chip *c, uint64_t cycles);
void chip_rate(chip *c, double time, double rate);
int chip_crashed(const chip *c);
int chip_held(const chip *c);
int chip_sleeping(const chip *c);
uint64_t chip_cycle(const chip *c);
uint64_t cycle_of(const chip *c, double time);
double time_of(const chip *c, uint64_t cycle);
uint32_t chip_pc(const chip *c);
uint32_t chip_crash_pc(const chip *c);
uint8_t *chip_data(const chip *c);
uint8_t *chip_flash(const chip *c);
uint8_t *chip_eeprom(const chip *c);
void chip_fuses(chip *c, const uint8_t *four);
uint32_t chip_eeprom_writes(const chip *c);
uint32_t chip_resets(const chip *c, int cause);
void chip_drive(chip *c, int pin, int line, uint64_t at);
void chip_watch(chip *c, int pin, int how);
int chip_wire(chip *c, int from, chip *to, int pin);
int chip_level(const chip *c, int pin);
int chip_driven(const chip *c, int pin);
void chip_line(chip *c, double bit);
uint32_t chip_send(chip *c, const uint8_t *data, uint32_t size, double start);
uint32_t chip_send_first(chip *c, const uint8_t *data, uint32_t size, double start);
uint32_t chip_receive(chip *c, uint8_t *data, uint64_t *at, uint32_t size);
uint32_t chip_waiting(const chip *c);
uint32_t chip_overruns(const chip *c);
uint32_t chip_framing_errors(const chip *c);
void chip_spi_csn(chip *c, int pin);
void chip_spi_per_byte(chip *c);
uint8_t *chip_spi_answer(chip *c);
uint8_t *chip_spi_got(chip *c);
uint32_t chip_spi_got_size(const chip *c);
uint64_t chip_spi_bytes(const chip *c);
void chip_volts(chip *c, int channel, double volts);
void chip_volts_from_python(chip *c, int channel);
group *group_new(double slice);
void group_free(group *g);
void group_add(group *g, chip *c);
void group_horizon(group *g, double time);
double group_run(group *g, double until);
extern "Python+C" {
  void shim_on_pin(void *user, int pin, int level, uint64_t cycle);
  void shim_on_drive(void *user, int pin, int what, uint64_t cycle);
  int shim_on_spi_select(void *user, uint64_t cycle);
  int shim_on_spi_command(void *user, int byte, uint64_t cycle);
  void shim_on_spi_finish(void *user, uint64_t cycle);
  int shim_on_spi_byte(void *user, int byte, uint64_t cycle);
  int shim_on_twi_start(void *user, int address, int reading, uint64_t cycle);
  int shim_on_twi_write(void *user, int byte, uint64_t cycle);
  int shim_on_twi_read(void *user, int acknowledge, uint64_t cycle);
  void shim_on_twi_stop(void *user, uint64_t cycle);
  double shim_on_adc(void *user, int channel, uint64_t cycle);
  void shim_on_reset(void *user, int flag, uint64_t cycle);
}
"""

#: the library's headers want these before them; the prototypes are those of DECLARATIONS
_PREAMBLE = '#include "shim.h"\n' + "\n".join(
    line
    for line in DECLARATIONS.split('extern "Python+C"')[0].splitlines()
    if line.endswith(";") and not line.startswith("typedef")
)


def available() -> str | None:
    """None when the `avr` bench can run here, else one sentence that says what is missing and how to install it."""
    try:
        load()
    except UsageError as e:
        return str(e)
    return None


def _missing(system: str = sys.platform) -> str | None:
    """What the bench cannot do without here. system: as in `sys.platform`."""
    if system == "win32":
        return "Linux"
    if not (shutil.which("cc") or shutil.which("gcc")):
        return "a C compiler"
    roots = [Path(p) for p in ("/usr/include", "/usr/local/include")]
    for header in ("simavr/sim_avr.h", "libelf.h"):
        if not any((r / header).exists() for r in roots):
            return f"the header {header}"
    return None


def _digest() -> str:
    h = hashlib.sha256(DECLARATIONS.encode())
    for name in ("shim.h", *SOURCES):
        h.update((HERE / name).read_bytes())
    h.update(sys.version.encode())
    return h.hexdigest()[:16]


def _compile(folder: Path) -> None:
    """The module into `folder`; made beside it and moved there whole."""
    import cffi

    ffi = cffi.FFI()
    ffi.cdef(DECLARATIONS)
    ffi.set_source(
        "_shim",
        _PREAMBLE,
        sources=[str(HERE / name) for name in SOURCES],
        include_dirs=[str(HERE)],
        libraries=["simavr", "elf"],
        extra_compile_args=["-O2", "-Wno-unused-result"],
    )
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix="building-") as building:
        try:
            made = Path(ffi.compile(tmpdir=building))
        except Exception as e:  # setuptools and cffi each raise their own for a failed compiler
            raise UsageError(f"the avr bench could not be built ({e}); is everything there? {INSTALL}") from e
        os.replace(made, folder / made.name)


@cache
def load() -> ModuleType:
    """The built module, with `lib` and `ffi`. Raises UsageError with the way to install what is missing."""
    folder = Path(user_cache_dir("benchctl")) / f"avr-{_digest()}"
    path = folder / ("_shim" + str(sysconfig.get_config_var("EXT_SUFFIX")))
    if not path.exists():
        missing = _missing()
        if missing:
            raise UsageError(f"the avr bench needs {missing}: {INSTALL}")
        folder.mkdir(parents=True, exist_ok=True)
        with locked(folder / "lock"):  # of several processes one builds; the others wait and find what it made
            if not path.exists():
                _compile(folder)
    spec = importlib.util.spec_from_file_location("_shim", path)
    if spec is None or spec.loader is None:
        raise UsageError(f"the avr bench's module {path} cannot be loaded; remove its folder and try again")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except ImportError as e:
        raise UsageError(f"the avr bench's module cannot be loaded ({e}): {INSTALL}") from e
    return module
