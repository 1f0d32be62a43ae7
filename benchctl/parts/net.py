"""Resistors, outputs and diodes that meet at pins: a few nodes, solved for their voltages.

Each node has ways to fixed voltages (Thevenin's equivalents); some ways are diodes, which conduct on one side of their
voltage only. Which diodes conduct is found by trying again until nothing changes, as circuit simulators do with ideal
diodes (textbook nodal analysis; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

#: an input's leakage: 1 µA at 5.5 V at most (ATmega328P data sheet, DC characteristics, IIL and IIH; from memory)
LEAK_OHMS = 10e6
_TRIES = 16


class Way(NamedTuple):
    """From a node to `volts` through `ohms`. side: 0 both ways, 1 only while the node is above, -1 below."""

    volts: float
    ohms: float
    who: str
    side: int = 0


class Bridge(NamedTuple):
    """A resistor between two nodes, by index."""

    one: int
    other: int
    ohms: float


def solve(nodes: Sequence[Sequence[Way]], bridges: Sequence[Bridge] = ()) -> list[float]:
    """Volts at each node. A node that nothing holds leaks to ground."""
    volts = [0.0] * len(nodes)
    conducting = [[not way.side for way in ways] for ways in nodes]
    for _ in range(_TRIES):
        volts = _linear(nodes, conducting, bridges)
        now = [[_conducts(way, v) for way in ways] for ways, v in zip(nodes, volts, strict=True)]
        if now == conducting:
            break
        conducting = now
    return volts


def amps(way: Way, volts: float) -> float:
    """Current from the node into this way."""
    return (volts - way.volts) / way.ohms if _conducts(way, volts) else 0.0


def _conducts(way: Way, volts: float) -> bool:
    return not way.side or (volts - way.volts) * way.side > 0


def _linear(nodes: Sequence[Sequence[Way]], conducting: list[list[bool]], bridges: Sequence[Bridge]) -> list[float]:
    size = len(nodes)
    matrix = [[0.0] * size for _ in range(size)]
    rhs = [0.0] * size
    for i, ways in enumerate(nodes):
        matrix[i][i] = 1.0 / LEAK_OHMS
        for way, on in zip(ways, conducting[i], strict=True):
            if on:
                matrix[i][i] += 1.0 / way.ohms
                rhs[i] += way.volts / way.ohms
    for one, other, ohms in bridges:
        g = 1.0 / ohms
        matrix[one][one] += g
        matrix[other][other] += g
        matrix[one][other] -= g
        matrix[other][one] -= g
    # positive on the diagonal and dominated by it: elimination needs no pivoting
    for i in range(size):
        for j in range(i + 1, size):
            factor = matrix[j][i] / matrix[i][i]
            if factor:
                for k in range(i, size):
                    matrix[j][k] -= factor * matrix[i][k]
                rhs[j] -= factor * rhs[i]
    for i in reversed(range(size)):
        rhs[i] = (rhs[i] - sum(matrix[i][k] * rhs[k] for k in range(i + 1, size))) / matrix[i][i]
    return rhs
