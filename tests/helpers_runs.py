"""Made-up runs of the Mudlark workshop as event lists, for tests of records and reports."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field

import numpy as np

from benchctl import events as ev
from benchctl.terms import Interval, Limit, Reading, Role, Source, Verdict

HAND, CRAFT = Role.HAND, Role.CRAFT
SHA = "6d1c" * 16


def plan() -> tuple[ev.StagePlan, ...]:
    return (
        ev.StagePlan("identity", "identity", "Who answers"),
        ev.StagePlan("supply", "supply", "Supply under load", ("identity",)),
        ev.StagePlan("transceiver", "transceiver", "Transceiver and its wiring", ("identity",)),
        ev.StagePlan("link", "radio_link", "Radio link, both ways", ("transceiver",)),
        ev.StagePlan("button", "button_to_led", "Button to LED", ("link",)),
        ev.StagePlan("servo", "joystick_to_servo", "Joystick to servo", ("link",)),
        ev.StagePlan("ramp", "throttle_ramp", "Throttle ramp", ("link", "servo")),
        ev.StagePlan("cut", "link_loss_cut", "Cut when the link is lost", ("ramp",)),
    )


@dataclass
class Story:
    """Writes events one after another; time goes on by itself."""

    t: float = 0.0
    events: list[ev.Event] = field(default_factory=list)
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(8))

    def add(self, event: ev.Event) -> None:
        self.events.append(event)

    def begin(
        self, run: str = "20260314-101530-bring-up-3fa9", wall: str = "2026-03-14T10:15:30Z", **more: object
    ) -> None:
        told: dict[str, object] = {
            "version": "0.1.0", "procedure": "bring-up", "procedure_sha256": SHA, "bench": "sim", "bench_kind": "sim",
            "bench_sha256": SHA[::-1], "simulated": True, "seed": 7, "operator": "simulated", "plan": plan(),
            "expected_boards": (HAND, CRAFT),
        }  # fmt: skip
        self.add(ev.RunStarted(self.t, run, wall, **{**told, **more}))

    def boards(self, hand: str = "mudlark-hand-03", craft: str = "mudlark-craft-03") -> None:
        self.add(ev.BoardSeen(self.t, HAND, hand, "probe 0.1.0", "8c41f07a", 1, 16_000_000, "sim:hand", 4))
        self.add(ev.BoardSeen(self.t, CRAFT, craft, "probe 0.1.0", "8c41f07a", 1, 16_000_000, "sim:craft", 9))
        self.health()

    def health(self) -> None:
        self.t += 1.0
        self.add(ev.BoardHealth(self.t, HAND, 4.98, 1200, 0, 0))
        self.add(ev.BoardHealth(self.t, CRAFT, 4.87, 1310, 0, 0))

    def start(self, name: str, expected_s: float = 5.0) -> None:
        p = next(p for p in plan() if p.name == name)
        self.add(ev.StageStarted(self.t, name, p.kind, p.title, "Keep your hands off the boards.", expected_s))

    def read(self, stage: str, name: str, value: float, unit: str = "", **more: object) -> None:
        limit, verdict = more.pop("limit", None), more.pop("verdict", None)
        reading = Reading(name, value, unit, **more)  # type: ignore[arg-type]
        if isinstance(limit, Limit):
            holds = limit.holds(value) and reading.measured
            reading = reading.judged(limit, verdict or (Verdict.PASS if holds else Verdict.FAIL))
        self.t += 0.1
        self.add(ev.ReadingTaken(self.t, stage, reading))

    def table(
        self, stage: str, name: str, shows: str, columns: dict[str, str], data: np.ndarray,
        picture: ev.Picture | None = None,
    ) -> None:  # fmt: skip
        names, units, rows = tuple(columns), tuple(columns.values()), np.asarray(data, float)
        self.add(ev.Samples(self.t, stage, name, shows, names, units, len(data), "", rows, True, picture or ev.Picture()))

    def end(self, name: str, verdict: Verdict = Verdict.PASS, reason: str = "", seconds: float = 4.2) -> None:
        kind = next(p.kind for p in plan() if p.name == name)
        self.t += seconds
        self.add(ev.StageEnded(self.t, name, kind, verdict, reason, seconds))

    def finish(self, verdict: Verdict, wall: str = "2026-03-14T10:21:07Z") -> list[ev.Event]:
        self.add(ev.RunEnded(self.t, verdict, self.t, wall))
        return self.events

    # ------------------------------------------------------------------ stages

    def identity(self) -> None:
        self.start("identity")
        for role, ppm in ((HAND, 12.4), (CRAFT, -31.0)):
            about = Interval(ppm - 1.5, ppm + 1.5)
            self.read("identity", f"{role}.clock_error", ppm, "ppm", n=200, interval=about, source=Source.CLOCK,
                      limit=Limit(-5000, 5000))  # fmt: skip
            self.read("identity", f"{role}.free_stack", 704, "bytes", limit=Limit(min=500))
        self.end("identity")

    def supply(self, droop: float = 0.08) -> None:
        self.start("supply")
        self.read("supply", "craft.vcc", 4.87, "V", n=64, interval=Interval(4.84, 4.90), source=Source.ADC,
                  limit=Limit(4.5, 5.5))  # fmt: skip
        self.read("supply", "craft.droop", droop, "V", n=400, interval=Interval(droop * 0.9, droop * 1.1),
                  source=Source.ADC, limit=Limit(max=0.3))  # fmt: skip
        t = np.arange(0, 2000, 25.0)
        wave = 4.87 - droop * np.exp(-(((t - 600) / 260) ** 2)) + self.rng.normal(0, 0.006, len(t))
        self.table("supply", "craft.burst", "waveform", {"t": "us", "vcc": "V"}, np.column_stack([t, wave]))
        failed = droop > 0.3
        self.end("supply", Verdict.FAIL if failed else Verdict.PASS,
                 "craft.droop is 0.9 V, at most 0.3 V is allowed" if failed else "")  # fmt: skip

    def transceiver(self) -> None:
        self.start("transceiver")
        for role in (HAND, CRAFT):
            self.read("transceiver", f"{role}.bad_bits", 0, "counts", limit=Limit(max=0))
        self.read("transceiver", "quiet_channel", 76, "", note="channels 1 to 60 are busy with Wi-Fi 1 and 6")
        channel = np.arange(126.0)
        busy = 0.3 * np.exp(-(((channel - 12) / 7) ** 2)) + 0.15 * np.exp(-(((channel - 37) / 7) ** 2))
        self.table("transceiver", "scan", "scan", {"channel": "", "busy": "counts", "samples": "counts"},
                   np.column_stack([channel, np.round(200 * busy), np.full(126, 200.0)]))  # fmt: skip
        self.add(ev.Note(self.t, "transceiver", "Channel 76 is quiet; 82 is the last one allowed at 2 Mbit/s."))
        self.end("transceiver")

    def link(self, loss: float = 0.004, packets: int = 2000) -> None:
        self.start("link")
        for i, way in enumerate(("hand_to_craft", "craft_to_hand")):
            lost = (self.rng.random(packets) < loss).astype(float)
            trip = np.where(lost > 0, np.nan, 662 + self.rng.gamma(2.0, 15.0, packets))
            rows = np.column_stack([i * 4 + np.arange(packets) * 0.002, np.arange(packets), lost, trip])
            self.table("link", way, "packets", {"t": "s", "seq": "", "lost": "", "round_trip": "us"}, rows)
            k = int(lost.sum())
            share = 100 * k / packets
            self.read("link", f"{way}.loss", share, "%", n=packets, source=Source.COUNTING,
                      interval=Interval(max(0.0, share * 0.6), share * 1.5 + 0.15), limit=Limit(max=1.0))  # fmt: skip
            self.read("link", f"{way}.round_trip_p99", float(np.nanquantile(trip, 0.99)), "us", n=packets - k,
                      interval=Interval(755, 790), source=Source.SAMPLING, floor=662.0,
                      limit=Limit(max=2000))  # fmt: skip
        self.end("link", seconds=9.1)

    def button(self) -> None:
        self.start("button")
        latency = 3100 + self.rng.gamma(3.0, 120.0, 300)
        self.table("button", "latency", "latency", {"latency": "us"}, latency.reshape(-1, 1))
        self.read("button", "latency_median", float(np.median(latency)), "us", n=300, interval=Interval(3380, 3470),
                  source=Source.SAMPLING, floor=705.0, limit=Limit(max=20000))  # fmt: skip
        self.end("button")

    def servo(self) -> None:
        self.start("servo")
        up = np.linspace(-100, 100, 41)
        width = 1500 + 5.02 * up + self.rng.normal(0, 0.8, 41)
        back = 1500 + 5.02 * up[::-1] + 3 + self.rng.normal(0, 0.8, 41)
        rows = np.column_stack([np.r_[up, up[::-1]], np.r_[width, back]])
        self.table("servo", "sweep", "sweep", {"stick": "%", "pulse": "us"}, rows)
        self.read("servo", "hysteresis", 3.1, "us", n=82, interval=Interval(2.4, 3.8), source=Source.CLOCK,
                  limit=Limit(max=8))  # fmt: skip
        self.end("servo")

    def attest(self, what: str, text: str) -> None:
        self.add(ev.Prompt(self.t, "ramp", len(self.events), ev.PromptKind.WORD, text, "attest", CRAFT, what))
        self.t += 4.0
        self.add(ev.Answer(self.t, "ramp", self.events[-1].id, "heron", "simulated"))  # type: ignore[attr-defined]
        self.add(ev.Attestation(self.t, "ramp", what, text, "the word shown", "heron", True, self.t + 600))

    def ramp(self) -> None:
        self.start("ramp", 30.0)
        self.attest("props_off", "The propeller is off the motor.")
        self.attest("held_down", "Board and craft are held down.")
        self.add(ev.OutputsLive(self.t, "ramp", True, "motor of mudlark-craft-03", 0.2))
        t = np.arange(0, 20, 0.25)
        throttle = np.floor(t / 4) * 4
        rows = np.column_stack([t, throttle, 4.9 - throttle * 0.006, 20 + throttle * 9])
        self.table("ramp", "steps", "timeline", {"t": "s", "throttle": "%", "vcc": "V", "vibration": "mg"}, rows)
        self.t += 20
        self.add(ev.OutputsLive(self.t, "ramp", False, "motor of mudlark-craft-03", 0.2))
        self.read("ramp", "craft.lowest_vcc", 4.80, "V", n=80, source=Source.ADC, limit=Limit(min=4.5))
        self.end("ramp", seconds=31.0)

    def cut(self) -> None:
        self.start("cut")
        for way, ms in (("radio_lost", 262.0), ("host_lost", 255.0), ("hand_unpowered", 263.5)):
            self.read("cut", f"{way}.worst", ms, "ms", n=30, interval=Interval(ms, ms + 9), source=Source.CLOCK,
                      limit=Limit(max=300))  # fmt: skip
        self.end("cut")


def small_run() -> list[ev.Event]:
    """A short whole run with one table: small enough to be cut at every byte."""
    s = Story()
    s.begin()
    s.boards()
    s.identity()
    s.start("supply")
    s.table("supply", "craft.burst", "waveform", {"t": "us", "vcc": "V"}, np.arange(12.0).reshape(6, 2))
    s.read("supply", "craft.vcc", math.nan, "V", limit=Limit(4.5, 5.5), verdict=Verdict.UNDECIDED)
    s.end("supply", Verdict.UNDECIDED, "craft.vcc could not be measured")
    s.attest("props_off", "The propeller is off the motor.")
    return s.finish(Verdict.UNDECIDED)


def healthy_run(**begin: object) -> list[ev.Event]:
    """A whole bring-up in which everything passes."""
    s = Story()
    s.begin(**begin)  # type: ignore[arg-type]
    s.boards()
    for stage in (s.identity, s.supply, s.transceiver, s.link, s.button, s.servo, s.ramp, s.cut):
        stage()
        s.health()
    return s.finish(Verdict.PASS)


def failing_run(**begin: object) -> list[ev.Event]:
    """The craft's supply droops; it restarts in the link stage; later stages are not run; two causes are named."""
    s = Story()
    s.begin(**begin)  # type: ignore[arg-type]
    s.boards()
    s.identity()
    s.supply(droop=0.9)
    s.transceiver()
    s.start("link")
    s.t += 2
    s.add(ev.BoardReset(s.t, CRAFT, "brown-out", False, {"lowest_vcc": 2.61, "uptime_s": 21.4}))
    s.read("link", "hand_to_craft.loss", 7.2, "%", n=180, interval=Interval(3.9, 12.0), source=Source.COUNTING,
           limit=Limit(max=1.0))  # fmt: skip
    s.end("link", Verdict.FAIL, "packets lost, hand→craft: 7.2 %, at most 1 % is allowed; the craft board restarted")
    for name in ("button", "servo", "ramp", "cut"):
        s.end(name, Verdict.NOT_RUN, "needs Radio link, which failed", 0.0)
    s.add(ev.FindingMade(s.t, 1, "bulk_capacitor_missing", "Bulk capacitor at the transceiver missing or dried out",
                         0.93, CRAFT, ("droop 0.9 V under a transmit burst (supply: craft.droop)",
                         "effective capacitance 0.6 µF (supply fit)"), ("no sag at rest",),
                         "solder 10 µF or more across the transceiver's supply pins",
                         "repeat supply after fitting it"))  # fmt: skip
    s.add(ev.FindingMade(s.t, 2, "source_too_weak", "USB source or cable too weak", 0.05, CRAFT,
                         ("restart with brown-out cause",), ("VCC at rest is 4.87 V",),
                         "use a shorter, thicker cable", "supply with another cable"))  # fmt: skip
    return s.finish(Verdict.FAIL)


def plain(value: object) -> object:
    """A value as plain comparable data: dataclasses as dictionaries, NaN equal to itself, 5 equal to 5.0."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.name != "data"}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set):
        return [plain(v) for v in value]
    return "nan" if isinstance(value, float) and math.isnan(value) else value
