"""Numbers, times and tables as a person reads them: 80 columns, no colour."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

# Those that lower rooms speak with as well; the verbs take all their words from here.
from dosingd.words import counted as counted
from dosingd.words import duration as duration
from dosingd.words import ml as ml
from dosingd.words import number as number
from dosingd.words import plain as plain

WIDTH = 80
GUTTER = 2


def rfc3339(at: datetime, zone: ZoneInfo, timespec: str = "seconds") -> str:
    """An instant with the zone's offset, for programs."""
    return at.astimezone(zone).isoformat(timespec=timespec)


def long_date(day: date) -> str:
    """`Sunday 28 March 2027`, whatever language the machine speaks."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def hours_text(hours: float) -> str:
    """`24 hours`, `23.5 hours`."""
    return f"{plain(hours)} hours"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table, its first column flush left and the others flush right.

    One that is wider than the page is cut between columns, and each part repeats the first column.
    """
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    parts: list[list[int]] = [[]]
    room = WIDTH - widths[0]
    for column in range(1, len(head)):
        if parts[-1] and room < widths[column] + GUTTER:
            parts.append([])
            room = WIDTH - widths[0]
        parts[-1].append(column)
        room -= widths[column] + GUTTER
    return "\n\n".join(
        "\n".join(
            (line[0].ljust(widths[0]) + "".join(" " * GUTTER + line[k].rjust(widths[k]) for k in part)).rstrip()
            for line in lines
        )
        for part in parts
    )
