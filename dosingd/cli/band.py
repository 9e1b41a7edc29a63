"""A dosing day as a band: each channel's line of tubing from midnight to midnight, a drop where a dose goes in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dosingd.wallclock import Piece

#: One character of the band.
CELL = timedelta(minutes=20)
CELL_MS = CELL // timedelta(milliseconds=1)
EMPTY, QUIET, SMALL, LARGE, MANY = "-", " ", "o", "O", "+"
LEGEND = "o a dose  O a larger one  2 to 9 so many  + more  blank quiet  a sign 20 min"


def ruler(start_at: datetime, end_at: datetime, zone: ZoneInfo) -> str:
    """The local hours over the band, every third; an hour that the clock jumps over is not there."""
    marks = [" "] * (_cells(start_at, end_at) + 2)
    at = start_at
    while at < end_at:
        local = at.astimezone(zone)
        if local.minute == 0 and local.hour % 3 == 0:
            cell = (at - start_at) // CELL
            text = str(local.hour)
            if all(mark == " " for mark in marks[max(0, cell - 1) : cell + len(text)]):
                marks[cell : cell + len(text)] = text
        at += timedelta(minutes=10)
    marks[_cells(start_at, end_at) :] = "24"
    return "".join(marks).rstrip()


def band(doses: Sequence[tuple[datetime, int]], start_at: datetime, end_at: datetime, quiet: Sequence[Piece]) -> str:
    """One channel's doses, (due, µL), over the day; a dose above the channel's mean is drawn larger."""
    cells = [EMPTY] * _cells(start_at, end_at)
    for from_ms, to_ms in quiet:
        for cell in range(-(-from_ms // CELL_MS), min(to_ms // CELL_MS, len(cells))):
            cells[cell] = QUIET
    held: dict[int, list[int]] = {}
    for due_at, volume_ul in doses:
        held.setdefault(min((due_at - start_at) // CELL, len(cells) - 1), []).append(volume_ul)
    mean_ul = sum(volume_ul for _, volume_ul in doses) / max(1, len(doses))
    for cell, volumes in held.items():
        if len(volumes) == 1:
            # Doses of one size differ by a microlitre of rounding; a larger one is larger by more than that.
            cells[cell] = LARGE if volumes[0] > mean_ul + 1 else SMALL
        else:
            cells[cell] = str(len(volumes)) if len(volumes) < 10 else MANY
    return "".join(cells)


def _cells(start_at: datetime, end_at: datetime) -> int:
    return max(1, -(-(end_at - start_at) // CELL))
