"""All channels' runs laid together over one stretch of time (a dosing day, or a span without a clock).

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate, pairwise
from math import ceil
from typing import Protocol

from attrs import evolve, frozen

from dosingd.calibration import Flow, run_s_from_volume
from dosingd.errors import CannotLay
from dosingd.plan.model import Channel, Plan, Window
from dosingd.portions import day_portions, name_of
from dosingd.spacing import Overrun, Spacing, nearest_starts, overrun, total_overrun_ms
from dosingd.wallclock import Piece, merged

#: Between two runs that no gap rule parts: starting and booking a dose takes a few milliseconds, so that runs laid end
#: to end would always be late.
SPARE_MS = 100

#: How often doses at the edge of a piece that is too full are moved to a neighbouring piece before giving up.
_MOVES = 64

#: The stretches of time of each window; None is the rest of the day.
Groups = dict[Window | None, list[Piece]]


class Frame(Protocol):
    """The time to lay doses over."""

    @property
    def length_ms(self) -> int: ...
    @property
    def windows(self) -> bool: ...
    @property
    def name(self) -> str: ...
    def groups(self, plan: Plan, channel: Channel) -> Groups: ...
    def label(self, offset_ms: int) -> str: ...


@frozen
class Run:
    """One laid dose: start and length in whole milliseconds after the stretch's start."""

    channel: str
    volume_ul: int
    start_ms: int
    run_ms: int


@frozen
class _Group:
    """The doses of one channel in one window, over pieces that each hold at least one run."""

    channel: str
    order: int  #: the channel's place in the plan, which decides between equal targets
    doses_ul: tuple[int, ...]
    runs_ms: tuple[int, ...]
    allowed: list[Piece]  #: what the window allows; targets are even in it
    bounds: list[Piece]  #: the same less the half gaps at both ends of the stretch
    #: Doses by piece, once moved from a piece that was too full; empty while they follow the even targets.
    counts: tuple[int, ...] = ()


@frozen
class _Slot:
    """One dose before it has a start."""

    target_ms: int
    order: int
    group: int
    piece: int
    channel: str
    volume_ul: int
    run_ms: int
    low_ms: int
    high_ms: int


@frozen(eq=False)
class TooFull(Exception):
    """The doses between two instants need more time than there is."""

    channels: tuple[str, ...]
    gap_s: float  #: the widest gap between those doses
    from_ms: int
    to_ms: int
    needed_ms: int


def separation_ms(plan: Plan, one: str, other: str) -> int:
    """Least time from the end of one channel's run to the start of the other's: the gap and a little more.

    The spare, 1 s or 5 % of the gap if that is less, keeps a dose that starts at its due time from being refused for
    the milliseconds that the run before it took to stop and be booked.
    """
    gap_ms = ceil(plan.gap_s(one, other) * 1000)
    return max(SPARE_MS, gap_ms + min(1000, -(-gap_ms // 20))) if gap_ms else SPARE_MS


def margin_ms(plan: Plan, channel: str) -> int:
    """Free time at both ends of a day: half of the channel's widest separation, rounded up."""
    return -(-max(separation_ms(plan, channel, other) for other in plan.channels) // 2)


def roomy(pieces: list[Piece], run_ms: int, margin: int, length_ms: int) -> list[Piece]:
    """The pieces in which a run fits between the margins at both ends of the stretch."""
    return [(a, b) for a, b in pieces if min(b, length_ms - margin) - max(a, margin) >= run_ms]


def runs(plan: Plan, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], frame: Frame) -> tuple[Run, ...]:
    """The runs by start. Raises TooFull, or CannotLay for a fault of one channel alone."""
    slots, spacing = arranged(plan, volumes_ul, flows, frame)
    starts = nearest_starts(spacing)
    laid = tuple(
        Run(slot.channel, slot.volume_ul, start, slot.run_ms) for slot, start in zip(slots, starts, strict=True)
    )
    _prove(plan, slots, laid)
    return laid


def arranged(
    plan: Plan, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], frame: Frame
) -> tuple[list[_Slot], Spacing]:
    """The doses in the order of their targets and a problem that has a solution. Raises TooFull or CannotLay."""
    groups = _groups(plan, volumes_ul, flows, frame)
    slots, spacing = _problem(plan, groups)
    if (first := overrun(spacing)) is None:
        return slots, spacing
    blame = _too_full(plan, slots, spacing, first)
    left, worst = total_overrun_ms(spacing), first
    for _ in range(_MOVES):
        moves = [(*_problem(plan, moved), moved) for moved in _moves(groups, slots, worst)]
        tried = [(total_overrun_ms(problem), k) for k, (_, problem, _) in enumerate(moves)]
        if not tried or min(tried)[0] >= left:
            break
        left, best = min(tried)
        slots, spacing, groups = moves[best]
        if (still := overrun(spacing)) is None:
            return slots, spacing
        worst = still
    raise blame


def _groups(plan: Plan, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], frame: Frame) -> list[_Group]:
    result = []
    for order, channel in enumerate(plan.channels.values()):
        flow, margin = flows[channel.id], margin_ms(plan, channel.id)
        # A dose within the pump's lag would be a run of no length.
        least_ul = max(channel.pump.smallest_ul, ceil(flow.lag_ul + flow.ul_per_s / 1000))
        places = frame.groups(plan, channel)
        for portion in day_portions(channel, volumes_ul.get(channel.id, 0), least_ul, windows=frame.windows):
            lengths = {volume: round(run_s_from_volume(volume, flow) * 1000) for volume in set(portion.doses_ul)}
            allowed = roomy(merged(places[portion.window]), max(lengths.values()), margin, frame.length_ms)
            if not allowed:
                raise CannotLay(
                    f"{frame.name} no run of {max(lengths.values()) / 1000:.0f} s of {channel.id} fits into "
                    f"{name_of(portion.window)} between quiet times and midnight.",
                    "Widen the window, or shorten the quiet times.",
                )
            bounds = [(max(a, margin), min(b, frame.length_ms - margin)) for a, b in allowed]
            run_lengths = tuple(lengths[volume] for volume in portion.doses_ul)
            result.append(_Group(channel.id, order, portion.doses_ul, run_lengths, allowed, bounds))
    return result


def _targets(group: _Group) -> list[tuple[int, int]]:
    """Target and piece of each dose: even over all pieces or, once doses were moved, even within each piece."""
    if group.counts:
        return [
            (start + (2 * k + 1) * (end - start) // (2 * count), piece)
            for piece, ((start, end), count) in enumerate(zip(group.allowed, group.counts, strict=True))
            for k in range(count)
        ]
    ends = list(accumulate(end - start for start, end in group.allowed))
    number, piece, result = len(group.doses_ul), 0, []
    for k in range(number):
        passed = (2 * k + 1) * ends[-1] // (2 * number)
        while passed >= ends[piece]:
            piece += 1
        result.append((group.allowed[piece][1] - (ends[piece] - passed), piece))
    return result


def _problem(plan: Plan, groups: list[_Group]) -> tuple[list[_Slot], Spacing]:
    slots = sorted(
        (
            _Slot(
                target,
                group.order,
                g,
                piece,
                group.channel,
                volume,
                run,
                group.bounds[piece][0],
                group.bounds[piece][1] - run,
            )
            for g, group in enumerate(groups)
            for (target, piece), volume, run in zip(_targets(group), group.doses_ul, group.runs_ms, strict=True)
        ),
        key=lambda slot: (slot.target_ms, slot.order),
    )
    apart = {(a, b): separation_ms(plan, a, b) for a in plan.channels for b in plan.channels}
    partners = {a: [b for b in plan.channels if plan.gap_s(a, b) > 0] for a in plan.channels}
    chain, sums = [0] * len(slots), [0] * len(slots)
    extras = []
    newest: dict[str, int] = {}
    for j, slot in enumerate(slots):
        if j:
            before = slots[j - 1]
            chain[j] = before.run_ms + apart[before.channel, slot.channel]
            sums[j] = sums[j - 1] + chain[j]
        for other in partners[slot.channel]:
            i = newest.get(other, j)
            # Of a channel only the newest run can bind; and it does not where the runs between take as long.
            if i < j - 1 and (d := slots[i].run_ms + apart[other, slot.channel]) > sums[j] - sums[i]:
                extras.append((i, j, d))
        newest[slot.channel] = j
    return slots, Spacing(
        [slot.target_ms for slot in slots],
        [slot.low_ms for slot in slots],
        [slot.high_ms for slot in slots],
        chain,
        extras,
    )


def _moves(groups: list[_Group], slots: list[_Slot], worst: Overrun) -> list[list[_Group]]:
    """The groups with a few doses moved from a piece on the path that is too full to the piece before or after."""
    result = []
    for g, piece in sorted({(slots[k].group, slots[k].piece) for k in worst.path}):
        group = groups[g]
        counts = list(group.counts)
        if not counts:
            counts = [0] * len(group.allowed)
            for _, at in _targets(group):
                counts[at] += 1
        some = max(1, counts[piece] // 32)
        for neighbour in (piece - 1, piece + 1):
            if 0 <= neighbour < len(counts):
                moved = list(counts)
                moved[piece] -= some
                moved[neighbour] += some
                result.append([*groups[:g], evolve(group, counts=tuple(moved)), *groups[g + 1 :]])
    return result


def _too_full(plan: Plan, slots: list[_Slot], spacing: Spacing, worst: Overrun) -> TooFull:
    path = [slots[k] for k in worst.path]
    channels = tuple(sorted({slot.channel for slot in path}, key=list(plan.channels).index))
    from_ms, to_ms = path[0].low_ms, path[-1].high_ms + path[-1].run_ms
    return TooFull(
        channels,
        max((plan.gap_s(a.channel, b.channel) for a, b in pairwise(path)), default=0.0),
        from_ms,
        to_ms,
        to_ms - from_ms + worst.by_ms,
    )


def _prove(plan: Plan, slots: list[_Slot], laid: tuple[Run, ...]) -> None:
    """Every promise once more on the integers that will be pumped: bounds, one pump at a time, gaps to every run."""
    apart = {(a, b): separation_ms(plan, a, b) for a in plan.channels for b in plan.channels}
    ends: dict[str, int] = {}
    for slot, run in zip(slots, laid, strict=True):
        good = slot.low_ms <= run.start_ms <= slot.high_ms and all(
            run.start_ms >= end + apart[other, run.channel] for other, end in ends.items()
        )
        if not good:
            raise CannotLay(
                f"{run.channel}: a dose at {run.start_ms} ms would break a gap or leave its window.",
                "Nothing was laid. This is a fault of the timetable, not of the plan; please report it with the plan.",
            )
        ends[run.channel] = run.start_ms + run.run_ms
