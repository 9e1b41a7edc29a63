"""`dosingd history`: the ledger's rows, for a program or for a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import click
from attrs import asdict, frozen

from dosingd.cli.reply import Reply, folded
from dosingd.cli.statedir import ledger_path
from dosingd.cli.wishes import Instant, options_everywhere, wishes
from dosingd.cli.words import counted, ml, number
from dosingd.ledger import Book
from dosingd.ledger.rows import KIND_OF
from dosingd.records import (
    Calibrated,
    ClockConfirmed,
    ClockMoved,
    Held,
    LedgerMade,
    NotGiven,
    Paused,
    PlanLoaded,
    Refilled,
    Released,
    Reserved,
    Row,
    Settled,
    Started,
    Stopped,
)


@frozen
class Entry:
    """One row as it is shown."""

    seq: int
    at: datetime  #: with the offset of the zone in force
    kind: str
    channel: str | None
    slot: str | None
    asked_ul: int | None
    given_ul: int | None
    outcome: str | None
    reason: str | None


@click.command(
    epilog="Example:  dosingd history --since 2027-03-28 --channel alk",
)
@click.option("--since", type=Instant(), metavar="T", help="Only rows from this time on.")
@click.option("--channel", metavar="CH", help="Only rows of this channel.")
@options_everywhere
def history(since: datetime | None, channel: str | None) -> Reply:
    """Show what the ledger holds, oldest first.

    T is a date or a time, such as 2027-03-28T13:00, in the plan's time zone unless it carries an offset.
    """
    book = Book.read(ledger_path(wishes().state_directory()))
    try:
        shown = list(entries(book, since, channel))
    finally:
        book.close()
    data = {"entries": [{**asdict(entry), "at": entry.at.isoformat(timespec="milliseconds")} for entry in shown]}
    return Reply(data, text_of(shown))


def entries(book: Book, since: datetime | None, channel: str | None) -> Iterator[Entry]:
    """The rows asked for, each in the time zone of the plan that was in force when it was written."""
    zone: tzinfo = UTC
    for row in book.rows(kinds=[PlanLoaded]):
        if isinstance(row.event, PlanLoaded):
            zone = ZoneInfo(row.event.timezone)
    from_at = None if since is None else since if since.tzinfo else since.replace(tzinfo=zone)
    return _shown(book.rows(), from_at, channel)


def _shown(rows: Iterable[Row], from_at: datetime | None, channel: str | None) -> Iterator[Entry]:
    zone: tzinfo = UTC
    reserved: dict[int, Reserved] = {}
    for row in rows:
        event = row.event
        if isinstance(event, PlanLoaded):
            zone = ZoneInfo(event.timezone)
        elif isinstance(event, Reserved):
            reserved[row.seq] = event
        asked = reserved.pop(event.reservation, None) if isinstance(event, Settled) else None
        if channel not in (None, getattr(event, "channel", None)):
            continue
        if from_at is not None and row.reading.wall_at < from_at:
            continue
        yield entry_of(row, zone, asked)


def entry_of(row: Row, zone: tzinfo, reserved: Reserved | None = None) -> Entry:
    """A row as it is shown. `reserved` is the reservation that a settlement settles."""
    event = row.event
    asked_ul: int | None = None
    given_ul: int | None = None
    slot: str | None = None
    outcome: str | None = None
    match event:
        case Reserved():
            asked_ul, slot = event.asked_ul, event.slot
        case Settled():
            asked_ul = None if reserved is None else reserved.asked_ul
            given_ul, outcome, slot = event.given_ul, event.outcome.value, event.slot
        case NotGiven():
            asked_ul, given_ul, outcome, slot = event.asked_ul, 0, event.outcome.value, event.slot
    return Entry(
        row.seq,
        row.reading.wall_at.astimezone(zone),
        KIND_OF[type(event)],
        getattr(event, "channel", None),
        slot,
        asked_ul,
        given_ul,
        outcome,
        reason_of(event) or None,
    )


def reason_of(event: object) -> str:
    """What else a row says, in a few words."""
    match event:
        case LedgerMade():
            return "a bench's ledger" if event.bench else ""
        case PlanLoaded():
            return f"{event.rig}, {event.timezone}, sha256 {event.sha256[:12]}"
        case Calibrated():
            return f"{number(event.flow_ul_per_s * 0.06)} mL/min, {event.source}"
        case Refilled():
            return f"to {ml(event.to_ul)} of {event.stock}"
        case Reserved():
            into = " into a cup" if event.into.value == "cup" else ""
            return f"{event.purpose.value}{into}, {event.run_ms / 1000:.3f} s"
        case NotGiven(doses=doses):
            return event.reason if doses == 1 else f"{counted(doses, 'dose')}: {event.reason}"
        case Settled() | Held() | Stopped():
            return event.reason
        case Released() | ClockConfirmed():
            return f"by {event.by}"
        case Paused():
            return "ended" if event.until_at is None else f"until {event.until_at:%Y-%m-%d %H:%M} UTC"
        case Started():
            return f"version {event.version}"
        case ClockMoved():
            return f"by {event.by_s:+.1f} s"
        case _:
            return ""


def text_of(shown: list[Entry]) -> str:
    """One line a row: when, which channel, what, how much, why."""
    if not shown:
        return "No such rows."
    lines, day = [], None
    width = max(len(entry.channel or "-") for entry in shown)
    for entry in shown:
        if entry.at.date() != day:
            day = entry.at.date()
            lines.append(f"{entry.at:%Y-%m-%d %Z}".rstrip())
        what = entry.outcome or entry.kind.replace("_", " ")
        if entry.outcome is None and entry.asked_ul is not None:
            amount = ml(entry.asked_ul)
        elif entry.given_ul is not None and entry.asked_ul not in (None, entry.given_ul):
            amount = f"{ml(entry.given_ul)} of {ml(entry.asked_ul or 0)}"
        else:
            amount = "" if entry.given_ul is None else ml(entry.given_ul)
        line = f"  {entry.at:%H:%M:%S}  {entry.channel or '-':<{width}}  {what:<14}  {amount:>10}  {entry.reason or ''}"
        lines.append(folded(line.rstrip()))
    return "\n".join(lines)
