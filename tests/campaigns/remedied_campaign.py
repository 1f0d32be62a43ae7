"""Whether what the findings advise helps: `python tests/campaigns/remedied_campaign.py --help`.

Benches with one edit each (`circuit_benches`) are run; what the first finding says to do is done to the bench, with the
numbers that it names, and the bench is run again: it must pass, every stage of it. What a remedy says in words ("resolder",
"replace") becomes the part as a sound one is; what it says in numbers (µF, Ω, mA, a channel) is taken from its text, so
that a wrong number fails here. A wrong cause is tried as it is told, and then fails too.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import circuit_benches as cb  # noqa: E402
import circuit_campaign as campaign  # noqa: E402
import findings_campaign as first  # noqa: E402
import published  # noqa: E402

from benchctl.analysis.loss import clopper_pearson  # noqa: E402
from benchctl.events import FindingMade  # noqa: E402
from benchctl.findings import find  # noqa: E402
from benchctl.runs.summary import Summary  # noqa: E402
from benchctl.terms import Verdict  # noqa: E402

Cure = Callable[[cb.Edited, str, FindingMade], None]


def _number(pattern: str, text: str) -> float:
    found = re.search(pattern, text)
    if found is None:
        raise LookupError(text)
    return float(found[1])


def _sound(*parts: str) -> Cure:
    """Whatever the bench says of these parts, as paths below the board, is taken back: they are as sound ones are."""

    def cure(e: cb.Edited, at: str, f: FindingMade) -> None:
        for part in parts:
            for key in [k for k in e.keys if k.startswith(f"{at}.{part}" if part[0] != "/" else part[1:])]:
                del e.keys[key]

    return cure


def _capacitor(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put(f"{at}.rail.radio.bulk_uf", _number(r"fit ([\d.]+) µF", f.remedy))
    e.put(f"{at}.rail.radio.bulk_esr_ohms", _number(r"at most ([\d.]+) Ω", f.remedy))


def _regulator(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put(f"{at}.rail.radio.regulator_limit_ma", _number(r"at least ([\d.]+) mA", f.remedy))


def _source(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put(f"{at}.rail.main.series_ohms", _number(r"below ([\d.]+) Ω", f.remedy))


def _servo(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put(f"{at}.servo.{cb.SERVO[e.pair]}.rail", "servo")


def _channel(e: cb.Edited, at: str, f: FindingMade) -> None:
    channel = int(_number(r"channel (\d+)", f.remedy))
    for role in cb.ROLES:
        e.put(f"board.{role}.settings.radio_channel", channel)


def _apart(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put("air.path_loss_db", 55.0)


def _brown_out(e: cb.Edited, at: str, f: FindingMade) -> None:
    e.put(f"{at}.brown_out_v", _number(r"detector to ([\d.]+) V", f.remedy))
    e.owner_knows(f"{at}.supply.brown_out_v", e.keys[f"{at}.brown_out_v"])


def _both(part: str) -> Cure:
    """Either board's: the modules are exchanged one at a time until it works."""
    return _sound(*(f"/board.{role}.{part}" for role in cb.ROLES))


_CURES: dict[str, Cure] = {
    **{f"line_{name}": _sound(f"radio.{name}.") for name in ("miso", "mosi", "sck", "csn", "ce", "irq")},
    **{f"line_{name}": _sound(*(f"radio.{line}." for line in ("miso", "mosi", "sck", "csn", "ce", "irq")))
       for name in ("bridged", "swapped", "data_swapped")},
    "no_transceiver": _sound("radio.fitted", "radio.csn."),
    "capacitor": _capacitor,
    "regulator": _regulator,
    "joint_radio": _sound("rail.radio.joint_ohms"),
    "joint_main": _sound("rail.main.joint_ohms"),
    "source": _source,
    "servo_on_logic": _servo,
    "rail_short": _sound("rail.main.leak_ohms", "rail.radio.leak_ohms"),
    "rail_high": _sound("rail.radio.regulator_volts"),
    "brown_out": _brown_out,
    "interference": _channel,
    "overload": _apart,
    "antenna": _both("radio.antenna_loss_db"),
    "radio_crystal": _both("radio.crystal_ppm"),
    "wrong_settings": _both("settings."),
    "clone": _sound("radio.variant"),
    "oscillator": _sound("oscillator.ppm"),
    "switch_bounce": _sound("switch."),
    "switch_floating": _sound("switch."),
    "switch_stuck": _sound("switch."),
    "switch_pull": _sound("switch."),
    "servo_ground": _sound("servo."),
    "fed_back": _sound("usb_apart"),
    "loose_joint": _sound("loose."),
    "second_craft": _sound("/air.stranger"),
    **{f"joystick_{what}": _sound("joystick.")
       for what in ("swapped", "unpowered", "worn", "open", "noisy", "ground", "supply_end")},
    "led": _sound("led.", "pins.led"),
    "output_elsewhere": _sound("pins."),
    "servo_supply": _sound("servo."),
    "esc_untaught": _sound("esc."),
    "signal_ground": _sound("esc."),
    "imu_absent": _sound("imu."),
    "imu_address": _sound("imu.address"),
    "imu_self_test": _sound("imu."),
    "serial_drops": _sound("serial."),
}  # fmt: skip


def cured(e: cb.Edited, finding: FindingMade) -> bool:
    """Does to the bench what the finding says; False where that is nothing that a model can take."""
    cure = _CURES.get(finding.cause)
    if cure is None:
        return False
    cure(e, f"board.{finding.board}" if finding.board else "", finding)
    return True


def passes(summary: Summary) -> bool:
    return summary.verdict is Verdict.PASS and not [f for f in find(summary) if not f.title.startswith("passes")]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=50_000_000)
    parser.add_argument("--count", type=int, default=141, help="benches, edits and pairs of boards in turn")
    parser.add_argument("--edits", nargs="+", choices=sorted(cb.EDITS), metavar="EDIT", help="only these; without: all")
    parser.add_argument("--kind", choices=("sim", "avr"), default="sim")
    parser.add_argument("--again", type=Path, metavar="FILE", help="what `circuit_campaign.py --keep` kept, for the first runs")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="append what came of each; what is in it is not run again")
    parser.add_argument("--write", action="store_true", help="put the table into tests/campaigns/results")
    a = parser.parse_args()
    done = {int(line.split("\t")[0]): line.rstrip("\n").split("\t")[1:] for line in _lines(a.keep)}
    for seed, pair, names, summary in _firsts(a, set(done)):
        done[seed] = _tried(a, seed, pair, names, summary)
        if a.keep:
            with a.keep.open("a", encoding="utf-8") as file:
                file.write("\t".join((str(seed), *done[seed])) + "\n")
    tried, helped = Counter[str](), Counter[str]()
    instead: dict[str, list[str]] = defaultdict(list)
    silent = 0
    for cause, outcome, text in done.values():
        silent += outcome == "silent"
        if outcome in ("pass", "fail"):
            tried[cause] += 1
            helped[cause] += outcome == "pass"
            instead[cause] += [text] if outcome == "fail" else []
    n, k = tried.total(), helped.total()
    between = clopper_pearson(k, n).scaled(100)
    rows = [f"{n} remedied benches run again, of {n + silent} with an edit; {100 * k / max(1, n):.1f} % pass "
            f"({between.low:.1f} to {between.high:.1f} %); goal at least 95 %: {'met' if k >= 0.95 * n else 'missed'}.",
            "", "| cause told first | pass | of | those that do not |", "| --- | --- | --- | --- |"]  # fmt: skip
    rows += [f"| {cause} | {helped[cause]} | {tried[cause]} | {'; '.join(instead[cause])} |" for cause in sorted(tried)]
    print("\n".join(rows))
    if a.write:
        only = f" --edits {' '.join(a.edits)}" if a.edits else ""
        asked = f"--kind {a.kind} --seed {a.seed} --count {a.count}{only} --write"
        command = f"`python tests/campaigns/remedied_campaign.py {asked}`"
        published.put(f"remedied {a.kind}", f"Remedied benches run again, {a.kind}", [command, "", *rows])


def _lines(path: Path | None) -> list[str]:
    return path.read_text("utf-8").splitlines() if path and path.exists() else []


def _tried(a: argparse.Namespace, seed: int, pair: str, names: tuple[str, ...], summary: Summary) -> list[str]:
    """[cause told first, outcome, what failed]; outcome: pass, fail, silent for no finding, words for no cure."""
    found = [f for f in find(summary) if f.cause != "unknown"]
    if not found:
        return ["", "silent", f"{names[0]}, {pair}"]
    cause, e = found[0].cause, cb.edited(random.Random(seed), pair, names)
    try:
        if not cured(e, found[0]):
            return [cause, "words", ""]
        again = first.perform(e, seed + 1, a.kind)
    except LookupError as wanting:
        return [cause, "fail", f"no number in: {wanting}"]
    failed = [s.name for s in again.stages.values() if s.verdict is not Verdict.PASS]
    return [cause, "pass" if passes(again) else "fail", f"{names[0]}, {pair}: {', '.join(failed) or 'finding'}"]


def _firsts(a: argparse.Namespace, done: set[int]):
    if a.again:
        for seed, kind, pair, _wrong, summary, names in campaign.kept(a.again):
            if kind == "single" and seed not in done:
                yield seed, pair, names, summary
        return
    names = a.edits or sorted(cb.EDITS)
    for i in range(a.count):
        if a.seed + i in done:
            continue
        pair, edit = cb.PAIRS[i // len(names) % 3 if a.edits else i % 3], (names[i % len(names)],)
        yield a.seed + i, pair, edit, campaign.perform(a.seed + i, "single", pair, edit, a.kind)[1]


if __name__ == "__main__":
    main()
