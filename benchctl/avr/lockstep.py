"""Chips and agenda in step, in true seconds: chips run in slices in C, events of the agenda happen at slice borders."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from benchctl.avr.build_shim import load
from benchctl.avr.chip import Chip
from benchctl.parts.agenda import Agenda

#: how far one chip may run ahead of another; radio events are due at least 130 µs ahead, so nothing is missed
SLICE_S = 100e-6
#: with a jumper between two boards its edges arrive so much late, all of them alike
WIRED_SLICE_S = 4e-6
#: how often a chip's clock rate follows its oscillator
RETUNE_S = 0.01


class Lockstep:
    """Runs chips and one agenda together.

    Order of equal times: agenda before chips, chips in the order given. Agenda entries that a chip brings about in
    its part of a slice shorten the slice for itself and the chips after it.
    """

    def __init__(self, agenda: Agenda, chips: Sequence[Chip], wired: bool = False) -> None:
        module = load()
        self._lib = module.lib
        self.agenda = agenda
        self.chips = tuple(chips)
        self._group = module.lib.group_new(WIRED_SLICE_S if wired else SLICE_S)
        self._group.now = agenda.now
        self._next_tune = agenda.now
        #: told soon after a chip has sent something, at once when it ended a frame
        self.on_output: Callable[[], object] = lambda: None
        self._stopped = False
        for chip in self.chips:
            module.lib.group_add(self._group, chip.c)
            chip.entered = self._enter
        agenda.on_earlier = self._earlier

    @property
    def now(self) -> float:
        return float(self._group.now)

    @property
    def slice(self) -> float:
        """Seconds by which an edge on a jumper to another board is late."""
        return float(self._group.slice)

    def close(self) -> None:
        """Give the chips' memory back; may be called twice."""
        for chip in self.chips:
            chip.close()
        if self._group:
            self._lib.group_free(self._group)
            self._group = None

    def _enter(self, time: float) -> None:
        """A chip calls a part: the agenda's present is the chip's."""
        self.agenda.now = time

    def _earlier(self, time: float) -> None:
        self._lib.group_horizon(self._group, time)

    def _tune(self) -> None:
        if self.now >= self._next_tune:
            for chip in self.chips:
                chip.retune(self.now, RETUNE_S)
            self._next_tune = self.now + RETUNE_S

    def stop(self) -> None:
        """Have `run_until` return at the end of the present slice. From any thread."""
        self._stopped = True
        if self._group:
            self._group.stop = 1

    def run_until(self, time: float) -> bool:
        """Let time pass until `time` or a `stop`, which may also have been called before; tells which it was.

        Raises what a part raised, or BoardError when a program crashed.
        """
        group, agenda = self._group, self.agenda
        while True:
            agenda.run_to(self.now)
            if self._stopped or self.now >= time:
                stopped, self._stopped = self._stopped, False
                return stopped
            self._tune()
            group.stop = int(self._stopped)
            group.horizon = agenda.next_time()
            self._lib.group_run(group, min(time, self._next_tune))
            for chip in self.chips:
                chip.check()
            if group.gather != math.inf:
                self.on_output()
