"""A channel for a new pair: of those in the plan that no pair of the user's has yet, the least busy one around here.

The plan is `session.pairing.CHANNELS`, for up to eight pairs; which are taken stands in the user's pair files.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from benchctl import events as ev
from benchctl import pairfile
from benchctl.analysis.spectrum import Occupancy, occupancy
from benchctl.errors import OperatorAbsent, Refused, UsageError
from benchctl.facts import PairReplaced, WiringFound
from benchctl.session.pairing import CHANNELS, pair_channel, pair_name, pair_settings
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.transceiver import ALL_CHANNELS, sweep
from benchctl.terms import Role, Source

_KEY = "radio_channel"
#: a channel that is busier than the best by less than this is as good: the label's own is kept then
_ALIKE = 0.05
_REPLACE = "replace it"


def taken(mine: str) -> dict[int, str]:
    """Channels that the user's other pairs are on, with the pair's name. mine: the pair's own name."""
    found = {}
    for name, path in pairfile.own().items():
        try:
            pair = pairfile.load(str(path))
        except UsageError:
            continue  # a file that cannot be read takes no channel
        if mine not in {pair_name(board.label) for board in pair.boards.values()} and (channel := pair_channel(pair)):
            found[channel] = name
    return found


def chosen(scan: tuple[Occupancy, ...], own: int, others: Iterable[int]) -> int:
    """The channel of the plan to use. own: the label's; others: taken by other pairs, used only when all are."""
    used = set(others)
    free = [c for c in CHANNELS if c not in used] or list(CHANNELS)
    best = min(free, key=lambda c: scan[c].share)
    return own if own in free and scan[own].share <= scan[best].share + _ALIKE else best


def _say_if_replaced(ctx: Context, name: str) -> None:
    """A pair of that name is kept already and this run did not go by it: the owner knows whether it is the same."""
    if ctx.bench.simulated or name not in pairfile.own() or ctx.board(Role.HAND).wiring.pair == name:
        return
    text = (
        f"You have a pair {name} already. Is what is found now to take its place (its file is kept as "
        f"{name}.toml.old), or is it to be kept beside it, as {name}-2?"
    )
    try:
        said = ctx.ask(ev.PromptKind.CHOICE, text, "keep_pair", choices=(_REPLACE, "keep both"), timeout_s=600.0)
    except OperatorAbsent:
        return
    if said == _REPLACE:
        ctx.establish(PairReplaced(name))


def perform(ctx: Context) -> None:
    boards = [ctx.board(role) for role in (Role.HAND, Role.CRAFT)]
    label = next((b.identity.label for b in boards if b.identity is not None and b.identity.label), "")
    _say_if_replaced(ctx, pair_name(label))
    hits, looks = np.zeros(ALL_CHANNELS, np.int64), 0
    for board in boards:
        try:
            hits += sweep(ctx, board, ctx.count("scan_sweeps"), ctx.count("scan_dwell_us"))[0]
        except Refused:
            ctx.note(f"the {board.role} unit's transceiver cannot listen; its pins are not known yet", "warning")
            continue
        looks += ctx.count("scan_sweeps")
    if not looks:
        ctx.doubt("no transceiver can listen, so no channel is suggested")
        return
    others, own = taken(pair_name(label)), pair_settings(label).get(_KEY, CHANNELS[0])
    scan = occupancy(hits, np.full(ALL_CHANNELS, looks))
    channel = chosen(scan, own, others)
    for other, name in sorted(others.items()):
        ctx.note(f"channel {other} is that of your pair {name}")
    if channel in others:
        ctx.note(f"all {len(CHANNELS)} channels of the plan are taken; this pair shares {channel}", "warning")
    for board in boards:
        ctx.establish(WiringFound(board.role, f"settings.{_KEY}", channel, "looked"))
    busy = scan[channel]
    ctx.read("channel", channel, "", looks, note=f"2.4{channel:02d} GHz; the label alone would give {own}")
    ctx.read(
        "channel_busy", 100 * busy.share, "%", looks, busy.interval.scaled(100), Source.COUNTING, note="by all boards"
    )


STAGE = Stage(
    kind="find_channel",
    title="Find a channel for the pair",
    instruction="Both boards listen to what else is on the air; nothing to do.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT)),
    perform=perform,
    finds=True,
    by_air="a channel is looked for over a cable only",
    parameters=(
        Parameter("scan_sweeps", 20, "sweeps over all channels by each board", "", 1, 2000),
        Parameter("scan_dwell_us", 200, "listening time per channel; the detector needs 170", "us", 170, 20000),
    ),
    measures=(
        ReadingSpec(
            "channel", "", "channel suggested", None, "same", 126, "",
            about="Channel for this pair: one of the plan of eight, not taken by another of your pairs, quiet.",
        ),
        ReadingSpec(
            "channel_busy", "%", "time the channel was busy", None, "lower", 5.0, "",
            about="Share of looks at it that heard somebody above -64 dBm. Usual: below 5 % (common practice, no "
            "source).",
        ),
    ),
    expected_s=lambda p: 2 * float(p["scan_sweeps"]) * ALL_CHANNELS * (float(p["scan_dwell_us"]) + 300) * 1e-6,
)  # fmt: skip
