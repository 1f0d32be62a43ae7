"""Pairs that nobody here has seen: pins drawn from what the chip allows, everything else from what makers do.

Nothing here reads the code that searches: a pair is written as its owner would write it.
"""

from __future__ import annotations

import random

from benchctl.pairfile import PairSpec, parse
from benchctl.pairfile.pins import BY_PORT, Can, refusal

#: chances (no source): IRQ is left open more often than not, three in four LEDs lead to ground
_IRQ, _LED_TO_GROUND, _TO_GROUND, _PULL_ON_BOARD, _SENSE, _SECOND_SWITCH, _SENSOR = 0.4, 0.75, 0.75, 0.6, 0.4, 0.8, 0.7


class _Board:
    """Draws pins, none twice."""

    def __init__(self, chance: random.Random, sensor: bool) -> None:
        self.chance = chance
        self.sensor = sensor
        self.left = list(BY_PORT)
        self.pins: dict[str, str] = {}

    def put(self, function: str) -> str:
        """On a pin that can be it; analogue inputs are kept for what needs them."""
        fit = [p for p in self.left if not refusal(function, p, radio=True, sensor=self.sensor)]
        if not function.startswith(("joy", "sense")):
            plain = [p for p in fit if Can.ANALOGUE not in BY_PORT[p].can]
            fit = plain if plain and self.chance.random() < 0.7 else fit
        port = self.chance.choice(fit)
        self.left.remove(port)
        self.pins[function] = port
        return port

    def table(self) -> str:
        rows = [f'{function} = "{BY_PORT[port].sketch}"' for function, port in self.pins.items()]
        return "\n".join(rows)


def random_pair(seed: int) -> PairSpec:
    """The pair of a seed, checked as any pair file is."""
    chance = random.Random(f"{seed} pair")
    low = chance.random() < 0.3
    text = f'name = "strangers-{seed}"\n' + _hand(chance, seed, low) + _craft(chance, seed, low)
    return parse(text.encode(), f"strangers-{seed}.toml")



def _head(role: str, seed: int, low: bool, board: _Board, chance: random.Random) -> str:
    board.put("radio_csn")
    board.put("radio_ce")
    irq = chance.random() < _IRQ
    if irq:
        board.put("radio_irq")
    if chance.random() < _SENSE:
        board.put("sense_rail")
    lights = "high" if chance.random() < _LED_TO_GROUND else "low"
    ohms = chance.choice((220, 330, 470, 680, 1000)) if not low else chance.choice((100, 150, 220))
    return f"""
[board.{role}]
label = "reed-{role}-{seed % 1000}"
processor = "328P"
clock_mhz = {8 if low else 16}
[board.{role}.supply]
fed_by = "usb"
usb_apart = true
logic_v = {3.3 if low else 5.0}
brown_out_v = {1.8 if low else 2.7}
[board.{role}.radio]
kind = "plain"
[board.{role}.led]
lights = "{lights}"
resistor_ohms = {ohms}
"""


def _hand(chance: random.Random, seed: int, low: bool) -> str:
    board = _Board(chance, False)
    for axis in ("joy_x", "joy_y"):
        board.put(axis)
    head = _head("hand", seed, low, board, chance)
    board.put("led")
    switches = ""
    for name in ("switch1", "switch2") if chance.random() < _SECOND_SWITCH else ("switch1",):
        board.put(name)
        ground = chance.random() < _TO_GROUND
        pull = "board" if not ground or chance.random() < _PULL_ON_BOARD else "chip"
        switches += f'[board.hand.switch.{name}]\ncloses_to = "{"ground" if ground else "supply"}"\npull = "{pull}"\n'
    return f"""{head}{switches}[board.hand.joystick]
x_rises = "{chance.choice(("left", "right"))}"
y_rises = "{chance.choice(("up", "down"))}"
[board.hand.sensor]
fitted = false
[board.hand.pins]
{board.table()}
"""


def _craft(chance: random.Random, seed: int, low: bool) -> str:
    sensor = chance.random() < _SENSOR
    board = _Board(chance, sensor)
    head = _head("craft", seed, low, board, chance)
    board.put("led")
    outputs = ""
    for n, drives in enumerate(chance.sample(("servo", "motor"), 2), 1):
        board.put(f"pulse{n}")
        more = 'ways = "one-way"\nidle_us = 1000\nfull_us = 2000\n' if drives == "motor" else ""
        outputs += f'[board.craft.output.pulse{n}]\ndrives = "{drives}"\n{more}'
    address = chance.choice((0x68, 0x69))
    fitted = f"fitted = true\naddress = {address}\n" if sensor else "fitted = false\n"
    return f"""{head}{outputs}[board.craft.sensor]
{fitted}[board.craft.pins]
{board.table()}
"""
