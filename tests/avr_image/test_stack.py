"""The deepest stack of the shipped images, by its paint; and that the build refuses too small a margin."""

import importlib.util
import sys
from pathlib import Path

import pytest
from needs import need

from benchctl import shipped
from benchctl.avr.build_shim import available

FIRMWARE = Path(__file__).parents[2] / "firmware_probe"


def load():
    spec = importlib.util.spec_from_file_location("firmware_stack", FIRMWARE / "stack.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


stack = load()


@pytest.mark.parametrize("image", shipped.images(), ids=lambda image: image.path.stem)
def test_everything_at_once_leaves_the_stack(image):
    """The deepest chains: link test, bus, pulses, droop, loop, motor, saving; measured by the paint."""
    need(available())

    assert stack.never_touched(image.path, image.kind, image.clock_hz) >= stack.NEVER_TOUCHED_LEAST


@pytest.mark.parametrize(("free", "code"), [(550, 0), (549, 1)])
def test_the_build_fails_on_too_small_a_margin(monkeypatch, capsys, free, code):
    monkeypatch.setattr(stack, "never_touched", lambda image, kind, clock_hz: free)
    monkeypatch.setattr(stack.images, "sizes", lambda elf: (30_000, 1400))

    assert stack.check(Path("build")) == code
    assert f"probe_8mhz: stack: {free} bytes never touched of 648 (limit 550)" in capsys.readouterr().out


def test_what_cannot_be_measured_is_said(monkeypatch, capsys):
    monkeypatch.setattr(stack, "missing", "no simulator library")

    assert stack.main(["build"]) == 0
    assert capsys.readouterr().out == "stack: not measured: no simulator library\n"
