"""Plan and dosing day to doses: small, even, kept apart, exact in sum (R12), and the same every time it is asked.

Rules this room serves: R12 (exact sums), R14 (a span without a clock), and the planned half of R9 (apart).
- Each channel's doses have even targets: the k-th of n at (k + 1/2)/n of the time its window (or the rest of the day)
  allows, quiet times left out.
- All channels are laid together, in the order of their targets, as near to them as least squares allows (spacing.py),
  one pump at a time, gaps from the end of one run to the start of the next.
- Half of a channel's widest gap stays free at both midnights, so that days never need to know of each other.
- A run lies wholly inside its window and wholly outside every quiet time. Times are whole milliseconds after the
  dosing day's start, elapsed real time.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from attrs import frozen

from dosingd import layout
from dosingd.calibration import Flow
from dosingd.errors import CannotLay
from dosingd.layout import Groups
from dosingd.plan.model import Channel, Plan
from dosingd.remedies import refusal
from dosingd.wallclock import MS, DayClock, Piece, day_bounds, merged, without

#: Left free before a quiet time, so that a dose which starts a little late is still over when it begins.
QUIET_SPARE_MS = 2000

__all__ = ["Dose", "OffsetDose", "day_bounds", "evenness", "lay_day", "lay_span", "quiet_until"]


@frozen
class Dose:
    """One planned delivery. `slot` names it for ever; `run_s` is at the flow it was laid with."""

    channel: str
    volume_ul: int
    due_at: datetime
    slot: str
    run_s: float
    day: date | None = None


@frozen
class OffsetDose:
    """A dose of a span laid without a clock: seconds after the span's start."""

    channel: str
    volume_ul: int
    offset_s: float
    run_s: float


@frozen
class _DayFrame:
    """A dosing day: its length, and where each channel's windows and the rest of the day lie in it."""

    clock: DayClock

    @property
    def length_ms(self) -> int:
        return self.clock.length_ms

    windows = True

    def groups(self, plan: Plan, channel: Channel) -> Groups:
        return groups_of_day(plan, channel, self.clock)

    def label(self, offset_ms: int) -> str:
        return self.clock.local(offset_ms)

    @property
    def name(self) -> str:
        return f"On {self.clock.day.isoformat()}"


@frozen
class _SpanFrame:
    """A span of elapsed time without windows and quiet times."""

    length_ms: int

    windows = False

    def groups(self, plan: Plan, channel: Channel) -> Groups:
        return {None: [(0, self.length_ms)]}

    def label(self, offset_ms: int) -> str:
        return f"+{offset_ms // 3_600_000:02d}:{offset_ms // 60_000 % 60:02d}"

    @property
    def name(self) -> str:
        return "Without a clock"


def groups_of_day(plan: Plan, channel: Channel, clock: DayClock) -> Groups:
    """The stretches of the day that each window allows, and under None those of the rest of the day.

    Windows are read narrow and, for the rest of the day, wide: the hour that a clock change makes ambiguous at a
    window's edge belongs to neither.
    """
    quiet = [(max(0, start - QUIET_SPARE_MS), end) for span in plan.quiet for start, end in clock.wide(span)]
    groups: Groups = {window: without(clock.narrow(window.span), quiet) for window in channel.when}
    taken = [*quiet, *(piece for window in channel.when for piece in clock.narrow(window.span))]
    wide, shown = (
        [piece for window in channel.when for piece in read(window.span)] for read in (clock.wide, clock.shown)
    )
    # Where the wide reading leaves nothing, what the clock shows decides.
    groups[None] = without([(0, clock.length_ms)], [*taken, *wide]) or without([(0, clock.length_ms)], [*taken, *shown])
    return groups


def lay_day(
    plan: Plan, day: date, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], zone: ZoneInfo
) -> tuple[Dose, ...]:
    """The doses of one dosing day, by due time.

    `volumes_ul`: whole µL for the day by channel; a channel that is not named gets none. Fewer doses than the plan's
    `doses` where the volume would make them smaller than the pump can give. Raises CannotLay with the reason and the
    nearest change that would make the day fit.
    """
    frame = _DayFrame(DayClock.of(day, zone))
    if frame.length_ms == 0:
        raise CannotLay(f"{day.isoformat()} does not exist in {zone.key}.", "Its doses are left out.")
    start_at = frame.clock.start_at
    return tuple(
        Dose(
            run.channel,
            run.volume_ul,
            start_at + run.start_ms * MS,
            f"{day.isoformat()}/{run.channel}/{run.start_ms:09d}",
            run.run_ms / 1000,
            day,
        )
        for run in _laid(plan, volumes_ul, flows, frame)
    )


def lay_span(
    plan: Plan, span_s: float, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow]
) -> tuple[OffsetDose, ...]:
    """The doses of a span without windows or quiet times, gaps kept, half gaps at both ends (R14).

    One day's volumes and one day's number of doses over the whole span: over 48 h at half the rate. Raises CannotLay.
    """
    return tuple(
        OffsetDose(run.channel, run.volume_ul, run.start_ms / 1000, run.run_ms / 1000)
        for run in _laid(plan, volumes_ul, flows, _SpanFrame(int(span_s * 1000)))
    )


def _laid(
    plan: Plan, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], frame: layout.Frame
) -> tuple[layout.Run, ...]:
    try:
        return layout.runs(plan, volumes_ul, flows, frame)
    except layout.TooFull as full:
        raise refusal(full, plan, volumes_ul, flows, frame) from None


def quiet_until(plan: Plan, at: datetime, run_s: float, zone: ZoneInfo) -> datetime | None:
    """When the quiet time ends that a run of `run_s` seconds from `at` (aware UTC) would touch; None when it touches
    none. Quiet times that join, also at midnight, are one; repeated local times are read wide."""
    one = timedelta(days=1)
    today = at.astimezone(zone).date()
    first = DayClock.of(today - one, zone).start_at
    pieces = []
    for day in (today - one, today, today + one):
        clock = DayClock.of(day, zone)
        start_ms = (clock.start_at - first) // MS
        pieces += [(start_ms + a, start_ms + b) for span in plan.quiet for a, b in clock.wide(span)]
    from_ms = (at - first) / MS
    for start, end in merged(pieces):
        if start < from_ms + run_s * 1000 and from_ms < end:
            return first + end * MS
    return None


def evenness(plan: Plan, day: date, doses: tuple[Dose, ...], zone: ZoneInfo) -> dict[str, float]:
    """Longest gap over ideal gap by channel: 1 is even, at most 1.5 when nothing constrains the doses.

    Gaps run from dose to dose within a window (or the rest of the day) and count only the time it allows; the ideal is
    that time over its number of doses. 1 for a channel that has no two doses in one window.
    """
    clock = DayClock.of(day, zone)
    result = {}
    for channel in plan.channels.values():
        own = [(round((dose.due_at - clock.start_at) / MS), dose.run_s) for dose in doses if dose.channel == channel.id]
        worst = 1.0
        for pieces in groups_of_day(plan, channel, clock).values():
            inside = [(at, run_s) for at, run_s in own if any(start <= at < end for start, end in pieces)]
            if len(inside) < 2:
                continue
            allowed = layout.roomy(
                merged(pieces),
                int(max(run_s for _, run_s in inside) * 1000),
                layout.margin_ms(plan, channel.id),
                clock.length_ms,
            )
            ideal = sum(end - start for start, end in allowed) / len(inside)
            passed = [_allowed_before(allowed, at) for at, _ in sorted(inside)]
            worst = max(worst, *((b - a) / ideal for a, b in pairwise(passed)))
        result[channel.id] = worst
    return result


def _allowed_before(pieces: list[Piece], at_ms: int) -> int:
    return sum(max(0, min(end, at_ms) - start) for start, end in pieces)
