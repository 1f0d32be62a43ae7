"""How often the findings are right, on benches drawn at random: `python tests/campaigns/findings_campaign.py --help`.

Draws benches with one fault, with two and with none (`fault_benches`), performs the cut-down fault hunt on each and
compares what the findings say, from the log alone, with what was drawn. Prints: first-rank accuracy of single faults
that fail a limit, by cause (confusion); pairs; findings on healthy benches; Brier score and reliability of the stated
confidence. A pair counts as severe when each of its faults fails a limit on the same bench without the other, which
costs two more runs a pair. Seeds below 100 000 and of 9 million were used while the table of causes was written;
published figures use others, of 20 million and more.
"""

from __future__ import annotations

import argparse
import pickle
import random
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

import fault_benches as fb  # noqa: E402
import findings_table  # noqa: E402

from benchctl import events as ev  # noqa: E402
from benchctl.analysis.loss import clopper_pearson  # noqa: E402
from benchctl.benchfile import parse as parse_bench  # noqa: E402
from benchctl.errors import BenchctlError  # noqa: E402
from benchctl.findings import find  # noqa: E402
from benchctl.findings.causes import BY_NAME  # noqa: E402
from benchctl.findings.evidence import evidence  # noqa: E402
from benchctl.procedure.file import load  # noqa: E402
from benchctl.procedure.runner import Runner  # noqa: E402
from benchctl.runs.summary import Summary  # noqa: E402
from benchctl.terms import Role, Verdict  # noqa: E402

Found = list[tuple[str, str, float]]  # cause, board or "", confidence


def perform(
    case: fb.Case, seed: int, kind: str = "sim", only: list[str] | None = None, *,
    procedure: Path = HERE / "hunt-small.toml", events: list[ev.Event] | None = None,
) -> Summary:  # fmt: skip
    """The cut-down fault hunt on a drawn bench, kept in memory. events: takes every event of the run."""
    spec = parse_bench(case.toml(), "drawn").with_changes(seed=seed, kind=kind)
    bench = _open(spec, kind)
    loaded = load(procedure)
    if only:
        loaded = loaded.only(only)
    summary = Summary()

    def emit(event: ev.Event) -> None:
        summary.fold(event)
        if events is not None:
            events.append(event)

    emit(
        ev.RunStarted(
            0.0, "drawn", "", "", loaded.name, "", bench.name, kind, "", True, seed, bench.operator.by,
            loaded.plan(), loaded.roles(),
        )
    )  # fmt: skip
    try:
        for inject in case.inject:
            inject(bench)
        verdict = Runner(loaded, bench, emit).run()
    except BenchctlError as e:
        emit(ev.Note(bench.now(), "", str(e), "warning"))
        verdict = Verdict.UNDECIDED
    finally:
        bench.close()
    emit(ev.RunEnded(bench.now(), verdict, bench.now(), ""))
    return summary


def _open(spec: Any, kind: str) -> Any:
    if kind == "avr":
        from benchctl.avr.bench import AvrBench

        return AvrBench(spec)
    from benchctl.sim.bench import SimBench

    return SimBench(spec)


def found_in(summary: Summary) -> Found:
    return [(f.cause, str(f.board or ""), f.confidence) for f in find(summary)]


def fails_a_limit(summary: Summary) -> bool:
    return any(s.verdict is Verdict.FAIL for s in summary.stages.values())


def looked_at(summary: Summary, truth: fb.Truth) -> bool:
    """Whether anything that would show this cause was looked at: another fault may have kept its stage from running."""
    cause, board = BY_NAME[truth[0]], truth[1]
    seen = {f.name for f in evidence(summary) if f.board is None or not board or f.board is Role(board)}
    return any(p >= 0.5 and name in seen for name, p in cause.predicts.items())


def left_a_trace(summary: Summary, truth: fb.Truth) -> bool:
    """Whether a fact that the cause predicts in half of its cases or more is there: else it was too mild, or hidden."""
    cause, board = BY_NAME[truth[0]], truth[1]
    seen = {f.name for f in evidence(summary) if f.holds and (f.board is None or not board or f.board is Role(board))}
    return any(p >= 0.5 and name in seen for name, p in cause.predicts.items())


def fail_alone(plan: tuple[str, ...], seed: int, kind: str) -> bool:
    """Whether each fault of a pair, on the same bench without the other, fails a limit."""
    cases = [fb.draw(random.Random(seed), plan, only=n) for n in range(len(plan))]
    return all(fails_a_limit(perform(case, seed, kind)) for case in cases)


@dataclass
class Score:
    """Counts over a campaign."""

    counts: Counter[str] = field(default_factory=Counter)
    confusion: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    bins: dict[int, list[float]] = field(default_factory=lambda: defaultdict(list))
    squares: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def add(self, truth: list[fb.Truth], summary: Summary, seed: int, severe: bool | None = None) -> None:
        """severe: each fault of a pair fails a limit when it is alone; None: not known."""
        found = found_in(summary)
        places = [(c, b) for c, b, _ in found]
        for cause, board, confidence in found:
            right = (cause, board) in truth
            self.bins[min(9, int(10 * confidence))].append(float(right))
            self.squares.append((confidence - right) ** 2)
        if not truth:
            self._healthy(found, seed)
        elif not fails_a_limit(summary):
            self.counts["mild"] += 1
            self.counts["mild named"] += places[:1] == truth[:1]
        elif len(truth) == 1:
            self._single(truth[0], places, seed)
        else:
            self._pair(truth, places, summary, seed, severe)

    def _healthy(self, found: Found, seed: int) -> None:
        self.counts["healthy"] += 1
        self.counts["healthy with a finding"] += bool(found)
        if found:
            self.wrong.append(f"seed {seed}: healthy, but {found[0]}")

    def _single(self, truth: fb.Truth, places: list[tuple[str, str]], seed: int) -> None:
        self.counts["single"] += 1
        self.counts["single first"] += places[:1] == [truth]
        self.counts["single in two"] += truth in places[:2]
        self.confusion[truth[0]][places[0][0] if places else "(none)"] += 1
        if places[:1] != [truth]:
            self.wrong.append(f"seed {seed}: {truth} but {places[:3]}")

    def _pair(
        self, truth: list[fb.Truth], places: list[tuple[str, str]], summary: Summary, seed: int, severe: bool | None
    ) -> None:
        both = all(t in places[:3] for t in truth)
        self.counts["pair"] += 1
        self.counts["pair both"] += both
        if severe:
            self.counts["pair severe"] += 1
            self.counts["pair severe, both"] += both
        if all(looked_at(summary, t) for t in truth):
            self.counts["pair looked at"] += 1
            self.counts["pair looked at, both"] += both
        if all(left_a_trace(summary, t) for t in truth):
            self.counts["pair traced"] += 1
            self.counts["pair traced, both"] += both
        if not both:
            self.wrong.append(f"seed {seed}: {truth} but {places[:3]}")

    # ------------------------------------------------------------------ told

    def lines(self) -> list[str]:
        out = [
            self._share("single faults that fail a limit: first rank right", "single first", "single"),
            self._share("single faults that fail a limit: in the first two", "single in two", "single"),
            self._share("pairs: both in the first three", "pair both", "pair"),
            self._share("pairs of which each alone fails a limit: both in the first three", "pair severe, both",
                        "pair severe"),
            self._share("pairs of which both were looked at: both in the first three", "pair looked at, both",
                        "pair looked at"),
            self._share("pairs of which each left a trace: both in the first three", "pair traced, both", "pair traced"),
            self._share("healthy benches with a finding", "healthy with a finding", "healthy"),
            self._share("faults too mild to fail a limit, named all the same", "mild named", "mild"),
        ]  # fmt: skip
        if self.squares:
            out.append(f"Brier score {sum(self.squares) / len(self.squares):.4f} over {len(self.squares)} findings")
        for n, rights in sorted(self.bins.items()):
            out.append(f"  stated {10 * n:3d} to {10 * n + 10:3d} %: right {100 * sum(rights) / len(rights):5.1f} %"
                       f" of {len(rights)}")  # fmt: skip
        out.append("confusion, rows drawn, columns first rank (only what differs is listed):")
        for cause, got in sorted(self.confusion.items()):
            others = ", ".join(f"{name} {n}" for name, n in got.most_common() if name != cause)
            out.append(f"  {cause:<20} {got[cause]:4d} of {sum(got.values()):4d}" + (f"   {others}" if others else ""))
        return out + self.wrong

    def _share(self, title: str, part: str, whole: str) -> str:
        k, n = self.counts[part], self.counts[whole]
        if not n:
            return f"{title}: none drawn"
        between = clopper_pearson(k, n).scaled(100)
        return f"{title}: {100 * k / n:.1f} % ({k} of {n}; {between.low:.1f} to {between.high:.1f} %)"


def kinds_for(kind: str) -> list[str]:
    return sorted(set(fb.FAULTS) - set(fb.SIM_ONLY if kind == "avr" else ()))


def campaign(
    seed: int, single: int, pairs: int, healthy: int, kind: str = "sim", say: bool = False, keep: Path | None = None,
    share: tuple[int, int] = (0, 1),
) -> Score:  # fmt: skip
    """Single faults go through all causes in turn, so that each is drawn equally often; pairs are drawn at random.

    share: only every n-th bench, from the k-th on, for several processes side by side.
    """
    score, names = Score(), kinds_for(kind)
    plans = [(names[i % len(names)],) for i in range(single)]
    chance = random.Random(f"{seed} pairs")
    plans += [tuple(chance.sample(names, 2)) for _ in range(pairs)]
    plans += [()] * healthy
    # mixed, so that a campaign that is cut short has seen of everything
    chance.shuffle(plans)
    done = {run[2]: run for run in kept([keep] if keep else [])}
    for i, plan in list(enumerate(plans))[share[0] :: share[1]]:
        if seed + i in done:
            score.add(*done[seed + i])
            continue
        case = fb.draw(random.Random(seed + i), plan)
        summary = perform(case, seed + i, kind)
        severe = fail_alone(plan, seed + i, kind) if len(plan) > 1 and fails_a_limit(summary) else None
        score.add(case.truth, summary, seed + i, severe)
        if keep is not None:
            with keep.open("ab") as file:
                pickle.dump((case.truth, summary, seed + i, severe), file)
        if say:
            print(f"{i + 1}/{len(plans)}", *(plan or ("healthy",)), flush=True)
            if (i + 1) % 50 == 0:
                print("\n".join(score.lines()), flush=True)
    return score


def kept(files: list[Path]) -> Iterator[tuple[list[fb.Truth], Summary, int, bool | None]]:
    """What was drawn, what the run showed, the seed, and whether each of a pair fails a limit alone, of every kept run.

    One that was cut off ends its file.
    """
    for path in files:
        if not path.exists():
            continue
        with path.open("rb") as file:
            while True:
                try:
                    yield pickle.load(file)
                except EOFError:
                    break


def again(files: list[Path]) -> Score:
    """Kept runs, scored by the findings as they are now."""
    score = Score()
    for run in kept(files):
        score.add(*run)
    return score


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1_000_000)
    parser.add_argument("--single", type=int, default=800)
    parser.add_argument("--pairs", type=int, default=150)
    parser.add_argument("--healthy", type=int, default=300)
    parser.add_argument("--kind", choices=("sim", "avr"), default="sim")
    parser.add_argument("--say", action="store_true", help="a line a bench, and the score now and then")
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="FILE",
        help="append what each run showed; runs that are in it already are not made again",
    )
    parser.add_argument("--again", type=Path, nargs="*", metavar="FILE", help="score kept runs instead of new ones")
    parser.add_argument(
        "--share", default="1/1", metavar="K/N", help="only every N-th bench from the K-th on; needs --keep"
    )
    parser.add_argument("--write", action="store_true", help="write the tables into tests/campaigns/results")
    a = parser.parse_args()
    k, n = map(int, a.share.split("/"))
    if a.again:
        score = again(a.again)
    else:
        score = campaign(a.seed, a.single, a.pairs, a.healthy, a.kind, a.say, a.keep, (k - 1, n))
    print("\n".join(score.lines()))
    if a.write:
        asked = f"--kind {a.kind} --seed {a.seed} --single {a.single} --pairs {a.pairs} --healthy {a.healthy}"
        command = f"python tests/campaigns/findings_campaign.py {asked} --write"
        findings_table.write(findings_table.as_markdown(score), a.kind, command)


if __name__ == "__main__":
    main()
