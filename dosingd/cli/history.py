"""`dosingd history`: the ledger's rows, for a program or for a person."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from dosingd.cli.asking import AT_ONCE_S, PAGE_S
from dosingd.cli.asking import asked as daemon_says
from dosingd.cli.reply import Reply, folded
from dosingd.cli.statedir import ledger_path
from dosingd.cli.wishes import Instant, options_everywhere, wishes
from dosingd.cli.words import ml
from dosingd.errors import DosingError, NoDaemon, Silent
from dosingd.ledger import Book
from dosingd.records import PlanLoaded, Row
from dosingd.requests import MOST_ROWS, History, Status
from dosingd.telling import Entry, Zones, entries_of, entry_data, entry_from_data


@click.command(
    epilog="Example:  dosingd history --since 2027-03-28 --channel alk",
)
@click.option("--since", type=Instant(), metavar="T", help="Only rows from this time on.")
@click.option("--channel", metavar="CH", help="Only rows of this channel.")
@options_everywhere
def history(since: datetime | None, channel: str | None) -> Reply:
    """Show what the ledger holds, oldest first.

    T is a date or a time, such as 2027-03-28T13:00, in the plan's time zone unless it carries an offset. A running
    daemon is asked; where none runs, the ledger's file is read.
    """
    state = wishes().state_directory()
    messages: list[str] = []
    try:
        shown = list(asked(since, channel))
    except NoDaemon:
        shown = read(ledger_path(state), since, channel)
    except Silent as silent:
        shown, messages = read(ledger_path(state), since, channel), [str(silent)]
    return Reply({"entries": [entry_data(entry) for entry in shown]}, text_of(shown), messages=messages)


def asked(since: datetime | None, channel: str | None) -> Iterator[Entry]:
    """The rows asked for, from the running daemon, a page after the other. Raises NoDaemon when none runs."""

    def zone() -> tzinfo:
        return ZoneInfo(str(daemon_says(Status(), AT_ONCE_S).data["timezone"]))

    since_at, after_seq = _aware(since, zone), 0
    while True:
        page = daemon_says(History(since_at, channel, after_seq, MOST_ROWS), PAGE_S).data["entries"]
        entries = [entry_from_data(each) for each in page]
        yield from entries
        if len(entries) < MOST_ROWS:
            return
        if entries[-1].seq <= after_seq:
            raise DosingError("The daemon gave the same rows twice. Restart it after an upgrade, then ask again.")
        after_seq = entries[-1].seq


def read(path: Path, since: datetime | None, channel: str | None) -> list[Entry]:
    """The rows asked for, from the ledger's file. Raises LedgerRefused."""
    book = Book.read(path)
    try:
        zones = Zones(book.rows(kinds=[PlanLoaded]))

        def find(seq: int) -> Row | None:
            return next(book.rows(seq - 1, limit=1), None)

        since_at = _aware(since, lambda: zones.newest)
        return list(entries_of(book.rows(channel=channel, since_at=since_at), zones, find))
    finally:
        book.close()


def _aware(since: datetime | None, zone: Callable[[], tzinfo]) -> datetime | None:
    return since if since is None or since.tzinfo else since.replace(tzinfo=zone())


def _as_asked(entry: Entry, run_ms: float) -> bool:
    """Whether what was given is what was asked for, but for the end of the run: that is booked to the whole millisecond
    and the whole µL, both upwards, and would read as an overdose."""
    if entry.asked_ul is None or entry.given_ul is None:
        return True
    over_ul = entry.given_ul - entry.asked_ul
    return over_ul == 0 or (entry.outcome == "given" and run_ms > 0 and 0 < over_ul <= entry.asked_ul / run_ms + 1)


def text_of(shown: list[Entry]) -> str:
    """One line a row: when, which channel, what, how much, why."""
    if not shown:
        return "No such rows."
    lines, day = [], None
    run_ms: dict[str | None, float] = {}  # of each channel's newest reservation
    width = max(len(entry.channel or "-") for entry in shown)
    for entry in shown:
        if entry.at.date() != day:
            day = entry.at.date()
            lines.append(f"{entry.at:%Y-%m-%d %Z}".rstrip())
        what = entry.outcome or entry.kind.replace("_", " ")
        if entry.kind == "reserved":
            seconds = re.search(r"([0-9.]+) s$", entry.reason or "")
            run_ms[entry.channel] = float(seconds[1]) * 1000 if seconds else 0.0
        if entry.outcome is None and entry.asked_ul is not None:
            amount = ml(entry.asked_ul)
        elif entry.given_ul is not None and not _as_asked(entry, run_ms.pop(entry.channel, 0.0)):
            amount = f"{ml(entry.given_ul)} of {ml(entry.asked_ul or 0)}"
        else:
            amount = "" if entry.given_ul is None else ml(entry.given_ul)
        line = f"  {entry.at:%H:%M:%S}  {entry.channel or '-':<{width}}  {what:<14}  {amount:>10}  {entry.reason or ''}"
        lines.append(folded(line.rstrip()))
    return "\n".join(lines)
