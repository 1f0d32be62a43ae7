"""What happens around a board: lessons, the air, the person, and a clock that wraps."""

from __future__ import annotations

from hypothesis import strategies as st
from hypothesis.stateful import precondition, rule
from machine_base import Base

from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, OutputAct

#: the guard counts milliseconds in 16 bits: its clock wraps so long after the board has started
WRAP_S = 65.536
#: no packet is heard over so much path loss
NO_AIR_DB = 200.0


class Around(Base):
    """See the module."""

    # ------------------------------------------------------------------ lessons

    @rule(
        acts=st.lists(st.sampled_from((OutputAct.FULL, OutputAct.REST, OutputAct.BACKWARD, OutputAct.TRY)), max_size=5),
        unheard=st.sampled_from((2.4, 2.6)),
        every=st.sampled_from((0.1, 0.3)),
        stop=st.booleans(),
    )
    def lesson(self, acts: list[OutputAct], unheard: float, every: float, stop: bool) -> None:
        """End points, in any order: full only first, on and never back, never late."""
        self._usual()
        board = self.rig.board
        board.plug_motor(False, self.rig.now())
        if self.rig.open_wiring():
            self.rig.wait(unheard)
            for act in (OutputAct.FULL, *acts):
                self.rig.ask(msg.Output(channel=2, act=act))
                board.plug_motor(True, self.rig.now())
                self.rig.wait(every)
            if stop:
                self.rig.ask(msg.Stop(silent=0))
                self.rig.wait(0.1)
        board.plug_motor(True, self.rig.now())

    @rule(order=st.permutations(range(4)))
    def lessons(self, order: list[int]) -> None:
        """Two of: full again after idle, backwards of what turns one way, not kept up, to what is not confirmed."""
        acts = (
            lambda: self._taught(OutputAct.FULL, OutputAct.REST, OutputAct.FULL),
            lambda: self._taught(OutputAct.FULL, OutputAct.BACKWARD),
            lambda: self._taught(OutputAct.FULL, forgotten_s=0.6),
            lambda: self._taught(OutputAct.FULL, changed=True),
        )
        for which in order[:2]:
            acts[which]()

    def _taught(self, *acts: OutputAct, forgotten_s: float = 0.0, changed: bool = False) -> None:
        """A lesson, each act kept up for two requests. changed: idle is another and nobody has confirmed it."""
        rig = self.rig
        self._usual()
        rig.board.plug_motor(False, rig.now())
        if rig.open_wiring():
            if changed:
                rig.setting(SETTING_BY_NAME["idle_us"].key, 1100, 2)
            rig.wait(2.52)
            for act in acts:
                for _ in range(2):
                    rig.ask(msg.Output(channel=2, act=act))
                    rig.wait(0.1)
            rig.wait(forgotten_s)
        rig.ask(msg.Stop(silent=0))
        rig.wait(0.1)
        rig.board.plug_motor(True, rig.now())

    # ------------------------------------------------------------------ the clock

    @precondition(lambda self: self.kind == "sim" or self.patient)
    @rule(early=st.sampled_from((0.05, 0.15, 0.3)))
    def live_as_the_clock_wraps(self, early: float) -> None:
        """Kept alive over it, then silent; a challenge and the wiring from before it."""
        rig = self.rig
        rig.power_cycle()
        started = rig.now() - 0.2
        rig.wait(WRAP_S - 0.6 - early)
        self._live(150)
        rig.drive(150, max(0.0, started + WRAP_S - early - rig.now()))
        rig.wait(0.6)
        rig.drive(150, 0.2)

    # ------------------------------------------------------------------ the air and the person

    def _air(self, loss_db: float) -> float:
        """Another loss between the boards; what it was."""
        world = self.rig.bench.world
        one, other = world.boards[Role.HAND].radio, world.boards[Role.CRAFT].radio
        before = world.air.path_loss_db(one, other)
        world.air.set_path_loss(one, other, loss_db)
        return float(before)

    @rule(radio=st.integers(0, 1))
    def live_then_the_air_dies(self, radio: int) -> None:
        """The hand unit goes on sending, and nothing comes any more."""
        rig = self.rig
        self._usual()
        rig.radio_on()
        rig.ask(msg.Stop(silent=0))
        self._live(200, radio)
        before = self._air(NO_AIR_DB)
        rig.model.hand_stopped(rig.now())
        rig.drive(200, 0.6)
        rig.radio_off()
        self._air(before)

    @rule(away=st.sampled_from((0.2, 0.6)))
    def live_then_the_battery_is_pulled(self, away: float) -> None:
        """The person pulls the motors' battery and puts it back while the host goes on."""
        rig = self.rig
        self._live(150)
        rig.board.plug_motor(False, rig.now())
        rig.drive(150, away)
        rig.board.plug_motor(True, rig.now())
        rig.drive(150, 0.3)
        rig.ask(msg.Stop(silent=0))

    @rule(away=st.sampled_from((0.1, 0.4)))
    def live_then_the_cable_is_pulled(self, away: float) -> None:
        """Nothing reaches the board, which has a supply of its own; on avr cable and supply are one."""
        rig = self.rig
        self._live(200)
        port = rig.craft.port
        if not hasattr(port, "plug"):
            rig.power_cycle()
            return
        port.plug(False)
        rig.wait(away)
        port.plug(True)
        rig.drive(200, 0.3)
