"""Local times of a dosing day as instants and as milliseconds of elapsed real time.

A dosing day runs from local midnight to local midnight: 23 to 25 hours, 23.5 and 24.5 where the clock moves by half an
hour. Every local time has an early and a late reading: a repeated time its first and second occurrence, a time that the
clock jumps over the instant of the jump and the same distance behind it. Quiet times are read wide (early start, late
end) and windows narrow (late start, early end), so that a dose is inside its window and outside every quiet time
whichever reading the keeper has in mind.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from attrs import frozen

from dosingd.plan.model import LocalSpan

MS = timedelta(milliseconds=1)

#: A stretch of a day in whole milliseconds after its start, end excluded.
Piece = tuple[int, int]


def early_reading_at(day: date, local: time, zone: ZoneInfo) -> datetime:
    """The first instant at which the local clock shows this time or, when it is jumped over, the jump (aware UTC)."""
    naive = datetime.combine(day, local)
    first = naive.replace(tzinfo=zone, fold=0).astimezone(UTC)
    second = naive.replace(tzinfo=zone, fold=1).astimezone(UTC)
    return first if first <= second else _jump_at(second, first, zone)


def late_reading_at(day: date, local: time, zone: ZoneInfo) -> datetime:
    """The last instant at which the local clock shows this time or, when it is jumped over, as far behind the jump
    (aware UTC)."""
    naive = datetime.combine(day, local)
    first = naive.replace(tzinfo=zone, fold=0).astimezone(UTC)
    second = naive.replace(tzinfo=zone, fold=1).astimezone(UTC)
    return max(first, second)


def _jump_at(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """The instant between two at which the offset changes; clock changes fall on whole seconds."""
    old = before.astimezone(zone).utcoffset()
    low, high = 0, int((after - before).total_seconds())
    while high - low > 1:
        middle = (low + high) // 2
        if (before + timedelta(seconds=middle)).astimezone(zone).utcoffset() == old:
            low = middle
        else:
            high = middle
    return before + timedelta(seconds=high)


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Start and end of a dosing day in UTC, 23 to 25 hours apart.

    A midnight that does not exist moves forward to the first instant of the date; of a repeated midnight the first
    counts. A date that the zone leaves out altogether starts and ends at one instant.
    """
    return early_reading_at(day, time(0), zone), early_reading_at(day + timedelta(days=1), time(0), zone)


@frozen
class DayClock:
    """One dosing day of one zone."""

    day: date
    zone: ZoneInfo
    start_at: datetime
    end_at: datetime

    @classmethod
    def of(cls, day: date, zone: ZoneInfo) -> DayClock:
        """The clock of one dosing day."""
        return cls(day, zone, *day_bounds(day, zone))

    @property
    def length_ms(self) -> int:
        """Milliseconds from midnight to midnight."""
        return (self.end_at - self.start_at) // MS

    def local(self, offset_ms: int) -> str:
        """What the local clock shows, HH:MM, so long after the day's start; the day's end is 24:00."""
        if offset_ms >= self.length_ms:
            return "24:00"
        return (self.start_at + offset_ms * MS).astimezone(self.zone).strftime("%H:%M")

    def wide(self, span: LocalSpan) -> list[Piece]:
        """The day's pieces of a span at its widest reading."""
        return self._pieces(
            (early_reading_at(on, span.from_, self.zone), late_reading_at(to_on, span.to, self.zone))
            for on, to_on in self._dates(span)
        )

    def narrow(self, span: LocalSpan) -> list[Piece]:
        """The day's pieces of a span at its narrowest reading that is not empty.

        A span that the clock jumps over altogether keeps its length and begins at the jump.
        """
        return self._pieces(self._narrow_reading(span, on, to_on) for on, to_on in self._dates(span))

    def shown(self, span: LocalSpan) -> list[Piece]:
        """The day's pieces during which the local clock shows a time of the span, repeated times each time."""
        last = self.end_at - timedelta(seconds=1)
        cuts = [self.start_at, self.end_at]
        if self.start_at.astimezone(self.zone).utcoffset() != last.astimezone(self.zone).utcoffset():
            cuts.insert(1, _jump_at(self.start_at, last, self.zone))
        readings = []
        for from_at, to_at in pairwise(cuts):
            offset = from_at.astimezone(self.zone).utcoffset() or timedelta(0)
            for on, to_on in self._dates(span):
                start = datetime.combine(on, span.from_, UTC) - offset
                end = datetime.combine(to_on, span.to, UTC) - offset
                readings.append((max(from_at, start), min(to_at, end)))
        return self._pieces(readings)

    def _narrow_reading(self, span: LocalSpan, on: date, to_on: date) -> tuple[datetime, datetime]:
        from_early, from_late = (read(on, span.from_, self.zone) for read in (early_reading_at, late_reading_at))
        to_early, to_late = (read(to_on, span.to, self.zone) for read in (early_reading_at, late_reading_at))
        for start, end in ((from_late, to_early), (from_early, to_early), (from_late, to_late)):
            if start < end:
                return start, end
        return from_early, from_early + (datetime.combine(to_on, span.to) - datetime.combine(on, span.from_))

    def _dates(self, span: LocalSpan) -> list[tuple[date, date]]:
        """Start and end dates of the span's occurrences that can touch this day: yesterday's and today's."""
        one = timedelta(days=1)
        later = one if span.to <= span.from_ else timedelta(0)
        return [(self.day - one, self.day - one + later), (self.day, self.day + later)]

    def _pieces(self, readings: Iterable[tuple[datetime, datetime]]) -> list[Piece]:
        return merged(
            (max(0, (start - self.start_at) // MS), min(self.length_ms, (end - self.start_at) // MS))
            for start, end in readings
        )


def merged(pieces: Iterable[Piece]) -> list[Piece]:
    """The same stretches in order of time, touching ones joined, empty ones left out."""
    result: list[Piece] = []
    for start, end in sorted(piece for piece in pieces if piece[0] < piece[1]):
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result


def without(pieces: Iterable[Piece], holes: Iterable[Piece]) -> list[Piece]:
    """The stretches with the holes cut out."""
    result = list(pieces)
    for from_ms, to_ms in holes:
        cut = [[(start, min(end, from_ms)), (max(start, to_ms), end)] for start, end in result]
        result = [piece for pair in cut for piece in pair if piece[0] < piece[1]]
    return result
