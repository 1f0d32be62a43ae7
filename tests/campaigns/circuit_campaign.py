"""How often the findings are right on benches edited from circuits alone: `… circuit_campaign.py --help`.

The benches are `circuit_benches`, which reads nothing of the diagnosis and shares nothing with the first generator. Here,
and only here, each edit's words are put beside the causes that would be a right answer. A group of causes that the
findings cannot part counts as right in the first place only where its first is right, in the first two where any is.
Seeds below 1 000 were used while building.
"""

from __future__ import annotations

import argparse
import pickle
import random
import sys
from collections import Counter, defaultdict
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import circuit_benches as cb  # noqa: E402
import findings_campaign as first  # noqa: E402
import published  # noqa: E402

from benchctl.analysis.loss import clopper_pearson  # noqa: E402
from benchctl.events import FindingMade  # noqa: E402
from benchctl.findings import find  # noqa: E402
from benchctl.runs.summary import Summary  # noqa: E402

#: what an edit did, and the names of the causes that say so
RIGHT: dict[str, tuple[str, ...]] = {
    "miso does not reach": ("line_miso",),
    "mosi does not reach": ("line_mosi",),
    "sck does not reach": ("line_sck",),
    "ce does not reach": ("line_ce",),
    "irq does not reach": ("line_irq",),
    "module never selected": ("no_transceiver",),
    "module always selected": ("line_csn",),
    "two lines bridged": ("line_bridged",),
    "two lines exchanged": ("line_swapped", "line_data_swapped"),
    "led dark": ("led",),
    "wiper open": ("joystick_open",),
    "stick without supply": ("joystick_unpowered",),
    "track's ground open": ("joystick_ground",),
    "wipers exchanged": ("joystick_swapped",),
    "track worn": ("joystick_worn",),
    "stick noisy": ("joystick_noisy",),
    "switch line floats": ("switch_floating",),
    "switch pulled wrongly": ("switch_pull",),
    "switch does not work": ("switch_stuck",),
    "switch bounces": ("switch_bounce",),
    "rail shorted": ("rail_short",),
    "3.3 V rail too high": ("rail_high",),
    "bulk capacity lacks": ("capacitor",),
    "regulator too small": ("regulator",),
    "joint to the module": ("joint_radio",),
    "joint in the supply": ("joint_main",),
    "source too weak": ("source",),
    "servo on the logic's rail": ("servo_on_logic",),
    "servo not where declared": ("output_elsewhere",),
    "servo restless": ("servo_supply",),
    "servo's ground not joined": ("servo_ground",),
    "two sources on a rail": ("fed_back",),
    # a joint that no pressing opens is told as what it does: the transceiver loses its settings
    "joint loose": ("loose_joint", "forgets"),
    "another craft answers": ("second_craft",),
    "brown-out level": ("brown_out",),
    "resonator": ("oscillator",),
    "module off frequency": ("radio_crystal",),
    "another transceiver chip": ("clone",),
    "signal too weak": ("antenna",),
    "receivers overloaded": ("overload",),
    "others on the channel": ("interference",),
    "settings differ": ("wrong_settings",),
    "signal ground open": ("signal_ground",),
    "controller untaught": ("esc_untaught",),
    "sensor silent": ("imu_absent",),
    "sensor at the other address": ("imu_address",),
    "sensor damaged": ("imu_self_test",),
    "cable loses bytes": ("serial_drops",),
}
Wrong = list[tuple[str, str]]


def right(finding: FindingMade, wrong: tuple[str, str], group: bool = False) -> bool:
    names = (finding.cause, *finding.group) if group else (finding.cause,)
    return str(finding.board or "") == wrong[1] and any(n in RIGHT[wrong[0]] for n in names)


class Score:
    """Counts over a campaign, by pair and in all."""

    def __init__(self) -> None:
        self.runs = 0
        self.counts: Counter[str] = Counter()
        self.by_edit: dict[str, Counter[str]] = defaultdict(Counter)
        self.squares: list[float] = []
        self.bins: dict[int, list[bool]] = defaultdict(list)

    def add(self, kind: str, pair: str, wrong: Wrong, summary: Summary) -> None:
        self.runs += 1
        found = [f for f in find(summary) if f.cause != "unknown"]
        for f in found:
            good = any(right(f, w, True) for w in wrong)
            self.squares.append((f.confidence - good) ** 2)
            self.bins[min(9, int(10 * f.confidence))].append(good)
        over = [f for f in found if f.confidence > 0.9 and not any(right(f, w, True) for w in wrong)]
        self._count(f"{kind} wrong over 90 %", pair, bool(over))
        fails = first.fails_a_limit(summary)
        if kind == "single":
            self._count("single unseen", pair, not (fails or found))
        if kind in ("sound", "miscounted", "edge"):
            self._count(f"{kind} with a finding", pair, any(not f.title.startswith("passes") for f in found))
            self._count(f"{kind} fails a limit", pair, fails)
        elif kind == "single" and (fails or found):
            self._count("single first", pair, bool(found) and right(found[0], wrong[0]))
            self._count("single in two", pair, any(right(f, wrong[0], True) for f in found[:2]))
            self.by_edit[wrong[0][0]][(found[0].cause if found else "(none)")] += 1
        elif kind == "pair":
            self._count("pair in three", pair, all(any(right(f, w, True) for f in found[:3]) for w in wrong))

    def _count(self, what: str, pair: str, yes: bool) -> None:
        for where in ("", f" {pair}"):
            self.counts[f"{what}{where}"] += yes
            self.counts[f"of {what}{where}"] += 1

    # ------------------------------------------------------------------ told

    def lines(self) -> list[str]:
        rows = ["| what | goal | found | of | 95 % interval |  |", "| --- | --- | --- | --- | --- | --- |"]
        rows += [row for what, title, goal, least, most in _GOALS if (row := self._row(what, title, goal, least, most))]
        rows += [row for what, title in _BY_PAIR for pair in cb.PAIRS if (row := self._row(f"{what} {pair}", f"{title}, {pair}"))]
        brier = sum(self.squares) / len(self.squares) if self.squares else float("nan")
        rows += ["", f"Brier score {brier:.4f} over {len(self.squares)} findings; goal at most 0.06:"
                 f" {'met' if brier <= 0.06 else 'missed'}.", "", "| stated | right | findings |", "| --- | --- | --- |"]  # fmt: skip
        rows += [f"| {10 * n} to {10 * n + 10} % | {100 * sum(v) / len(v):.1f} % | {len(v)} |" for n, v in sorted(self.bins.items())]
        rows += ["", "Single edits, by what they did; what was ranked first instead:", "",
                 "| what is wrong | right | of | instead |", "| --- | --- | --- | --- |"]  # fmt: skip
        for wrong, got in sorted(self.by_edit.items()):
            good = sum(n for cause, n in got.items() if cause in RIGHT[wrong])
            instead = ", ".join(f"{cause} {n}" for cause, n in got.most_common() if cause not in RIGHT[wrong])
            rows.append(f"| {wrong} | {good} | {sum(got.values())} | {instead} |")
        return rows

    def _row(self, what: str, title: str, goal: str = "", least: float = 0.0, most: float = 1.0) -> str:
        n, k = self.counts[f"of {what}"], self.counts[what]
        if not n:
            return ""
        between = clopper_pearson(k, n).scaled(100)
        met = ("met" if least <= k / n <= most else "missed") if goal else ""
        return f"| {title} | {goal} | {100 * k / n:.1f} % | {n} | {between.low:.1f} to {between.high:.1f} % | {met} |"


_GOALS = (
    ("single first", "single edits that show: first rank right", "at least 92 %", 0.92, 1.0),
    ("single in two", "the same: in the first two", "at least 97 %", 0.97, 1.0),
    ("single wrong over 90 %", "the same: something wrong told with over 90 %", "at most 1 %", 0.0, 0.01),
    ("single unseen", "single edits that nothing shows", "", 0.0, 1.0),
    ("pair in three", "two edits: both in the first three", "at least 80 %", 0.80, 1.0),
    ("sound with a finding", "sound pairs with a finding", "at most 1 %", 0.0, 0.01),
    ("edge with a finding", "sound pairs at the edges of their sheets, with a finding", "at most 1 %", 0.0, 0.01),
    ("miscounted with a finding", "sound pairs, a person who miscounts 15 %, with a finding", "at most 1 %", 0.0, 0.01),
    ("sound fails a limit", "sound pairs that fail a limit", "", 0.0, 1.0),
)
_BY_PAIR = (
    ("single first", "single edits, first rank right"),
    ("sound with a finding", "sound pairs with a finding"),
    ("sound fails a limit", "sound pairs that fail a limit"),
)


def plans(seed: int, single: int, pairs: int, healthy: int, edge: int, miscounted: int) -> list[tuple[str, str, tuple[str, ...]]]:
    """(kind, pair, edits) of every bench, mixed, so that a campaign that is cut short has seen of everything."""
    rng, names = random.Random(f"{seed} plans"), sorted(cb.EDITS)
    out = [("single", cb.PAIRS[i % 3], (names[i % len(names)],)) for i in range(single)]
    out += [("pair", rng.choice(cb.PAIRS), tuple(rng.sample(names, 2))) for _ in range(pairs)]
    for kind, count in (("sound", healthy), ("edge", edge), ("miscounted", miscounted)):
        out += [(kind, cb.PAIRS[i % 3], ()) for i in range(count)]
    rng.shuffle(out)
    return out


def perform(seed: int, kind: str, pair: str, names: tuple[str, ...], bench: str) -> tuple[Wrong, Summary]:
    case = cb.edited(random.Random(seed), pair, names, kind == "edge")
    if kind == "miscounted":
        case.put("operator.miscount_probability", 0.15)
    return case.wrong, first.perform(case, seed, bench)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=40_000_000)
    for name, default in (("single", 1000), ("pairs", 200), ("healthy", 150), ("edge", 100), ("miscounted", 100)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--kind", choices=("sim", "avr"), default="sim")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="append what each run showed; what is in it is not run again")
    parser.add_argument("--share", default="1/1", metavar="K/N", help="only every N-th bench from the K-th on")
    parser.add_argument("--again", type=Path, nargs="*", metavar="FILE", help="score kept runs instead of new ones")
    parser.add_argument("--write", action="store_true", help="put the table into tests/campaigns/results")
    a = parser.parse_args()
    score, done = Score(), {}
    for path in a.again or ([a.keep] if a.keep else []):
        for run in kept(path):
            done[run[0]] = run
            score.add(*run[1:5])
    if not a.again:
        k, n = map(int, a.share.split("/"))
        todo = list(enumerate(plans(a.seed, a.single, a.pairs, a.healthy, a.edge, a.miscounted)))[k - 1 :: n]
        for i, (kind, pair, names) in todo:
            if a.seed + i in done:
                continue
            wrong, summary = perform(a.seed + i, kind, pair, names, a.kind)
            score.add(kind, pair, wrong, summary)
            if a.keep:
                with a.keep.open("ab") as file:
                    pickle.dump((a.seed + i, kind, pair, wrong, summary, names), file)
    print("\n".join(score.lines()))
    if a.write:
        asked = f"--kind {a.kind} --seed {a.seed} --single {a.single} --pairs {a.pairs} --healthy {a.healthy}"
        asked += f" --edge {a.edge} --miscounted {a.miscounted} --write"
        command = f"`python tests/campaigns/circuit_campaign.py {asked}`"
        whole = a.single + a.pairs + a.healthy + a.edge + a.miscounted
        short = [f"Cut short after {score.runs} of {whole} benches.", ""] if score.runs < whole else []
        title = f"Findings on benches edited from circuits, {a.kind}"
        published.put(f"findings circuits {a.kind}", title, [command, "", *short, *score.lines()])


def kept(path: Path) -> list[tuple[int, str, str, Wrong, Summary, tuple[str, ...]]]:
    """Every kept run, with its edits at the end; one that was cut off ends its file."""
    out = []
    if path.exists():
        with path.open("rb") as file:
            while True:
                try:
                    out.append(pickle.load(file))
                except EOFError:
                    break
    return out


if __name__ == "__main__":
    main()
