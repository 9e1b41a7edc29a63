"""The allowance: a bucket that only elapsed time fills (R2), and nothing else.

Rules this room keeps:
- A limit per 24 h is a bucket of depth limit/4 that fills by 3/4 of the limit in 87,000 s of proven time. A whole
  reservation is taken at once; a level may go negative. In ANY true 24 hours no more than the limit is given:
  depth + fill in 86,400 s + the 540 s that may lie between a reservation and the end of its run
  = 1/4 + 3/4 * 86,940 / 87,000 = 0.99948 of the limit, whatever the wall clock does.
- Time is proven time (`records.proven_ms_after`); no date or wall clock enters here.
- Levels are whole thousandths of the limit's unit (µL, ms, µmol); what time earns is rounded down.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import evolve, frozen

from dosingd.records import Into, LimitsRow, Reserved

#: The time in which a bucket earns its fill, in ms. Longer than a day by 600 s: the margin that covers a run's length.
FILL_SPAN_MS = 87_000_000
#: Without another row, a stamp so often, so that elapsed time is proven.
STAMP_S = 600.0
#: From a reservation to the latest end of its run; more is cancelled.
RESERVATION_S = 540.0


@frozen
class Bucket:
    """One limit's allowance. Depth, fill and level in thousandths of the limit's unit."""

    depth_m: int
    fill_m: int  #: earned per FILL_SPAN_MS
    level_m: int
    at_proven_ms: int

    def level_at_m(self, proven_ms: int) -> int:
        """The level at a proven time, never above the depth."""
        earned = max(0, proven_ms - self.at_proven_ms) * self.fill_m // FILL_SPAN_MS
        return min(self.depth_m, self.level_m + earned)

    def taken(self, amount: int, proven_ms: int) -> Bucket:
        """After taking a whole amount (in the limit's unit); may go below zero."""
        return evolve(self, level_m=self.level_at_m(proven_ms) - amount * 1000, at_proven_ms=proven_ms)

    def given_back(self, amount: int, proven_ms: int) -> Bucket:
        """After giving back what a reservation did not use; a negative amount takes more."""
        level = min(self.depth_m, self.level_at_m(proven_ms) + amount * 1000)
        return evolve(self, level_m=level, at_proven_ms=proven_ms)

    def resized(self, other: Bucket, proven_ms: int) -> Bucket:
        """The level of this bucket, clipped to the depth of another: what a reload of the plan leaves (R2)."""
        level = min(other.depth_m, self.level_at_m(proven_ms))
        return evolve(other, level_m=level, at_proven_ms=proven_ms)

    def fits_in_ms(self, amount: int, proven_ms: int) -> int | None:
        """Milliseconds of proven time until the amount fits: 0 now, None never."""
        if amount * 1000 > self.depth_m:
            return None
        short = amount * 1000 - self.level_at_m(proven_ms)
        if short <= 0:
            return 0
        return -(-short * FILL_SPAN_MS // self.fill_m)


def day_bucket(limit: int, proven_ms: int, *, full: bool = False) -> Bucket:
    """The bucket of a limit per 24 h (µL, ms or µmol), empty unless said otherwise."""
    depth_m = limit * 1000 // 4
    return Bucket(depth_m, limit * 1000 * 3 // 4, depth_m if full else 0, proven_ms)


def cup_bucket(depth_ul: int, proven_ms: int, *, full: bool = False) -> Bucket:
    """The bucket of runs into a cup (R4): fills by its whole depth in FILL_SPAN_MS."""
    return Bucket(depth_ul * 1000, depth_ul * 1000, depth_ul * 1000 if full else 0, proven_ms)


def smallest_day_limit_ul(takes: Sequence[tuple[float, int, int]]) -> int:
    """The smallest limit per 24 h, in whole µL, with which a sequence of doses is never refused, from a full bucket.

    `takes`: (second, given µL, reserved µL) in order of time; days of 23, 24 and 25 hours in sequence are the
    caller's to lay. 0 for no doses.
    """
    if not takes:
        return 0
    low, high = 0, 4 * sum(reserved for _, _, reserved in takes) + 4
    while low < high:
        middle = (low + high) // 2
        if _holds(middle, takes):
            high = middle
        else:
            low = middle + 1
    return low


def _holds(limit_ul: int, takes: Sequence[tuple[float, int, int]]) -> bool:
    bucket = day_bucket(limit_ul, 0, full=True)
    depth, fill, level, at = bucket.depth_m, bucket.fill_m, bucket.level_m, 0
    for second, given, reserved in takes:
        now = int(second * 1000)
        level = min(depth, level + (now - at) * fill // FILL_SPAN_MS)
        at = now
        if level < reserved * 1000:
            return False
        level -= given * 1000
    return True


def amounts_of(event: Reserved, ul: int, ms: int, change: Mapping[str, int]) -> dict[str, int]:
    """What a reservation takes from each bucket, or a settlement gives back: µL, ms and µmol."""
    if event.into is Into.CUP:
        return {f"cup:{event.channel}": ul}
    return {
        f"day:{event.channel}": ul,
        f"run:{event.channel}": ms,
        **{f"rise:{substance}": amount for substance, amount in change.items()},
    }


def buckets_of(
    channels: Mapping[str, LimitsRow], proven_ms: int, *, first: bool, full: bool = False
) -> dict[str, Bucket]:
    """The buckets that a plan's limits ask for: empty ones, except that a first ledger's cups are full (R4)."""
    rises: dict[str, int] = {}
    for limits in channels.values():
        for substance, amount in limits.rise_umol.items():
            rises[substance] = min(amount, rises.get(substance, amount))
    buckets = {f"rise:{substance}": day_bucket(amount, proven_ms, full=full) for substance, amount in rises.items()}
    for channel, limits in channels.items():
        buckets[f"day:{channel}"] = day_bucket(limits.day_ul, proven_ms, full=full)
        buckets[f"run:{channel}"] = day_bucket(limits.run_ms, proven_ms, full=full)
        buckets[f"cup:{channel}"] = cup_bucket(limits.cup_ul, proven_ms, full=first)
    return buckets
