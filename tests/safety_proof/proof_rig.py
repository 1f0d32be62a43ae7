"""A pair on a simulated bench, spoken to in raw bytes, with every pulse on the motor controller's pin judged."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from typing import Any

from guard_model import EFFECT_S, WIDTH_US, Model, Pulse
from helpers_outputs import PAIR

from benchctl import benches, benchfile
from benchctl.avr.bench import AvrBench
from benchctl.errors import BenchctlError, PortLost
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.base import Request
from benchctl.wire.catalogue import BY_NAME, GuardState, OutputAct
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, Msg, decode

LABEL = "mudlark-craft-01"
#: crafts soldered otherwise: what is laid over the pair; seconds that a request and µs that an edge may take
WIRINGS = {
    "": ("", EFFECT_S, WIDTH_US),
    "8 MHz": ("[pair.board.craft]\nclock_mhz = 8\n", 0.006, 2.0),
    "no compare unit": ('[pair.board.craft.pins]\npulse2 = "D5"\n', 0.005, 12.0),
}
#: a pin high for longer is no pulse
HIGH_S = 0.004
RESTART = BY_NAME["restart"].number
#: a restart that was asked for: watchdog, start-up time, set-up; what is sent meanwhile would meet either life
RESTART_S = 0.15


class Pulses:
    """The pulses of one signal, as they were put out."""

    def __init__(self, signal: Any, room_us: float = WIDTH_US) -> None:
        self.all: list[Pulse] = []
        self.room_us = room_us
        self.rose: float | None = None
        signal.connect(self._edge)

    def _edge(self, level: float, time: float) -> None:
        if level >= 0.5:
            self.rose = time
        elif self.rose is not None:
            self.all.append(Pulse(self.rose, 1e6 * (time - self.rose)))
            self.rose = None

    def above(self, idle_us: float, since: float = 0.0) -> list[Pulse]:
        return [p for p in self.all if p.width_us > idle_us + self.room_us and p.rose >= since]


class Rig:
    """bench of either kind with both boards. `send` and `wait` judge every pulse of the craft's motor pin.

    wiring: one of WIRINGS.
    """

    def __init__(self, kind: str, seed: int = 1, images: dict[Role, str] | None = None, wiring: str = "") -> None:
        over, self.effect_s, width_us = WIRINGS[wiring]
        if over:
            text = f'name = "otherwise"\n[pair]\nfrom = "mudlark"\n{over}[board.craft]\noutputs_confirmed = true\n'
            spec = benchfile.parse(text.encode(), "otherwise.toml").with_changes(kind=kind, seed=seed)
            self.bench: Any = AvrBench(spec, images) if kind == "avr" else SimBench(spec)
        else:
            self.bench = benches.open_bench(PAIR, kind=kind, seed=seed, images=images)
        self.craft, self.hand = self.bench.boards[Role.CRAFT], self.bench.boards[Role.HAND]
        self.board = self.bench.world.boards[Role.CRAFT]
        self.pulses = Pulses(self.board.outputs["pulse2"], width_us)
        self.servo = Pulses(self.board.outputs["pulse1"])
        self.model = Model(LABEL, self.effect_s, width_us)
        self.heard: list[Msg] = []
        self.sent: list[bytes] = []
        self.chance = random.Random(seed)
        self.throttle_number = 0
        self.judged: Callable[[], object] = lambda: None  # told of each look at the pulses
        self._deframer = Deframer()
        self._number = 0
        self._judged = self.above = 0
        self._earlier: list[tuple[float, Model]] = []
        self.bench.wait(0.2)

    def close(self) -> None:
        self.bench.close()

    def fresh(self) -> None:
        """Both boards switched on anew, with the settings they have stored."""
        self.bench.world.power_off(Role.HAND)
        self.power_cycle()
        self.bench.world.power_on(Role.HAND)
        self.model.hand_stopped(self.now())
        self.sent.clear()
        self.wait(0.2)
        for board in (self.craft, self.hand):
            board.poll()
            board.clear_restart()
            board.identify()
        self.wait(0.01)

    def now(self) -> float:
        return float(self.bench.now())

    # ------------------------------------------------------------------ frames

    def frame(self, request: Request[Any]) -> bytes:
        """A whole frame of a request, under a number of its own."""
        self._number = self._number % 0xFFFF + 1
        return frame(request.encode(self._number))

    def send(self, wire: bytes) -> list[Msg]:
        """Put bytes on the line and give them time to work; returns the answers that came."""
        before = self.model.copy()
        now = self.now()
        try:
            self.craft.port.write(wire)
        except PortLost:
            self.wait(self.effect_s)
            return []
        bodies = Deframer().feed(wire)
        for body in bodies:
            self.model.delivered(body, now)
        self.sent.append(wire)
        self.bench.wait(max(self.effect_s, 25e-6 * len(wire)))
        if any(body[0] == RESTART for body in bodies):
            self.bench.wait(RESTART_S)
        came = self.listen()
        self.replaced(before)
        self.judge()
        for message in came:
            self.model.answered(message)
        return came

    def listen(self) -> list[Msg]:
        """What has come in."""
        try:
            data = self.craft.port.read_nowait()
        except PortLost:
            return []
        got = [m for m in map(decode, self._deframer.feed(data)) if not isinstance(m, Malformed)]
        self.heard += got
        return got

    def ask(self, request: Request[Any]) -> Any:
        """Send a request; its answer or refusal, None when none came."""
        came = self.send(self.frame(request))
        return next((m for m in came if isinstance(m, request.ANSWER | msg.Refusal)), None)

    # ------------------------------------------------------------------ doing

    def wait(self, seconds: float) -> None:
        self.bench.wait(seconds)
        for message in self.listen():
            self.model.answered(message)
        self.judge()

    def arm(self, radio: int = 0, cap: int = 300) -> bool:
        """The right way; tells whether the board says so."""
        challenge = self.ask(msg.ArmChallenge(channel=2, radio=radio))
        if challenge is None or not isinstance(challenge, msg.ArmChallengeAnswer):
            return False
        answer = self.ask(msg.Arm(channel=2, nonce=challenge.nonce, label=LABEL, cap_permille=cap))
        self.throttle_number = 0
        return isinstance(answer, msg.ArmAnswer) and answer.state >= GuardState.ARMED

    def throttle(self, permille: int, number: int | None = None) -> Any:
        if number is None:
            self.throttle_number = number = self.throttle_number + 1
        return self.ask(msg.Throttle(channel=2, permille=permille, number=number))

    def drive(self, permille: int, seconds: float, every: float = 0.06) -> None:
        """Throttle with its keep-alive for a time."""
        until = self.now() + seconds
        while self.now() < until:
            self.throttle(permille)
            self.wait(min(every, max(0.001, until - self.now())))

    def setting(self, key: int, value: int, width: int) -> Any:
        return self.ask(msg.SettingWrite(data=value.to_bytes(width, "little"), key=key))

    def open_wiring(self) -> bool:
        """The right way into the state in which what the pin can emit may be changed."""
        self.ask(msg.Stop(silent=0))
        challenge = self.ask(msg.ArmChallenge(channel=0, radio=0))
        if not isinstance(challenge, msg.ArmChallengeAnswer):
            return False
        answer = self.ask(msg.Arm(channel=0, nonce=challenge.nonce, label=LABEL, cap_permille=0))
        return isinstance(answer, msg.ArmAnswer) and answer.state == GuardState.WIRING

    def confirm(self, channel: int = 2) -> Any:
        """Tried and confirmed, while wiring."""
        self.ask(msg.Output(channel=channel, act=OutputAct.TRY))
        self.wait(0.51)
        return self.ask(msg.Output(channel=channel, act=OutputAct.CONFIRM))

    def settle(self, key: int, value: int, width: int) -> None:
        """A guarded setting written the right way, the output confirmed anew, and out again."""
        assert self.open_wiring()
        self.setting(key, value, width)
        self.confirm()
        self.ask(msg.Stop(silent=0))

    # ------------------------------------------------------------------ resets and radio

    def happen(self, action: Any, settle: float) -> None:
        """A reset of some kind: from now on nothing above idle, whatever the pulse under way."""
        before = self.model.copy()
        action()
        self.model.restart()
        self.bench.wait(self.effect_s)
        self.replaced(before)
        self.judge()
        self._deframer = Deframer()
        self.wait(settle)

    def reset_line(self) -> None:
        self.happen(self.craft.port.reset, 0.12)

    def power_cycle(self) -> None:
        def off() -> None:
            self.bench.world.power_off(Role.CRAFT)
            for _ in range(100):  # its capacitor feeds it a little longer, and until then it is as armed as before
                if self.board.held:
                    break
                self.bench.wait(0.0005)

        self.happen(off, 0.05)
        self.bench.world.power_on(Role.CRAFT)
        self.wait(0.2)

    def brown_out(self, amps: float = 12.0, seconds: float = 0.002) -> None:
        """A load pulls the processor's rail below the detector's level."""

        def dip() -> None:
            self.board.supply.set_load("fault", amps, self.now())
            self.bench.wait(seconds)
            self.board.supply.set_load("fault", 0.0, self.now())

        self.happen(dip, 0.15)

    def radio_on(self) -> None:
        """The control loop on both boards; from now on the craft hears packets."""
        for board in (self.craft, self.hand):
            try:
                board.poll()
                board.clear_restart()
                board.ask(msg.RadioApply(), timeout=1.0)
                board.ask(msg.LoopStart(trace=0), timeout=0.5)
            except BenchctlError:
                return
        self.model.loop_started(self.now())
        self.wait(0.1)

    def radio_off(self) -> None:
        try:
            self.hand.poll()
            self.hand.clear_restart()
            self.hand.ask(msg.LoopStop(), timeout=0.5)
        except BenchctlError:
            return
        self.model.hand_stopped(self.now())
        self.judge()

    # ------------------------------------------------------------------ judgement

    def replaced(self, before: Model) -> None:
        """What began until now may still be as the model before allows."""
        now = self.now()
        self._earlier = [(until, m) for until, m in self._earlier if until > now - 0.05] + [(now, before)]

    def judge(self) -> None:
        """Every pulse since the last look must be allowed by the model in force when it began."""
        pulses = self.pulses.all
        for i in range(self._judged, len(pulses)):
            pulse, before = pulses[i], pulses[i - 1] if i else None
            models = [self.model, *(m for until, m in self._earlier if pulse.rose <= until)]
            whys = [m.forbids(pulse, before) for m in models]
            assert not all(whys), f"at {pulse.rose:.4f} s: " + "; or ".join(whys)
            self.above += pulse.width_us > self.model.settings["idle_us"] + 1 + self.model.width_us
        self._judged = len(pulses)
        rose = self.pulses.rose
        assert rose is None or self.now() - rose < HIGH_S, f"high since {rose} s"
        self.judged()


def mangled(wire: bytes, chance: random.Random) -> bytes:
    """The same with one bit flipped inside the frame."""
    at = chance.randrange(1, len(wire) - 1)
    return wire[:at] + bytes([wire[at] ^ (1 << chance.randrange(8))]) + wire[at + 1 :]


def joined(frames: Iterable[bytes]) -> bytes:
    return b"".join(frames)
