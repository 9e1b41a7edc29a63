"""The ledger's rows in words: as entries of a history, and as one line of the log.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import attrs
from attrs import frozen

from dosingd.leases import way_out
from dosingd.records import (
    Calibrated,
    CalibrationDoubted,
    ClockConfirmed,
    ClockMoved,
    Event,
    Held,
    Identified,
    Into,
    LedgerMade,
    NotGiven,
    Ordered,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Refilled,
    Released,
    Reserved,
    Retubed,
    Row,
    Settled,
    Stamp,
    Started,
    Stopped,
    Switched,
)
from dosingd.words import counted, ml, number

#: Priorities of a log line.
INFO, NOTICE, WARNING, ERROR = "info", "notice", "warning", "error"


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


class Zones:
    """The time zone of the plan that was in force when a row was written, by the row's number."""

    def __init__(self, plans: Iterable[Row]) -> None:
        """From the ledger's PlanLoaded rows, oldest first; other rows are passed over."""
        self._from = [0]
        self._zones: list[tzinfo] = [UTC]
        for row in plans:
            if isinstance(row.event, PlanLoaded):
                self._from.append(row.seq)
                self._zones.append(ZoneInfo(row.event.timezone))

    def at(self, seq: int) -> tzinfo:
        """The zone in force at a row; UTC before the first plan."""
        return self._zones[bisect_right(self._from, seq) - 1]

    @property
    def newest(self) -> tzinfo:
        """The zone of the newest plan."""
        return self._zones[-1]


def entries_of(rows: Iterable[Row], zones: Zones, find: Callable[[int], Row | None]) -> Iterator[Entry]:
    """Each row as it is shown. `find` gives the row of a number: what a settlement settles may stand before `rows`."""
    reserved: dict[int, Reserved] = {}
    for row in rows:
        asked: Reserved | None = None
        if isinstance(row.event, Reserved):
            reserved[row.seq] = row.event
        elif isinstance(row.event, Settled):
            asked = reserved.pop(row.event.reservation, None)
            if asked is None and (found := find(row.event.reservation)) is not None:
                asked = found.event if isinstance(found.event, Reserved) else None
        yield entry_of(row, zones.at(row.seq), asked)


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
        kind_of(event),
        getattr(event, "channel", None),
        slot,
        asked_ul,
        given_ul,
        outcome,
        reason_of(event, zone) or None,
    )


def kind_of(event: Event) -> str:
    """The name of an event's kind, such as `not_given`: the same as on the disk."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", type(event).__name__).lower()


def entry_data(entry: Entry) -> dict[str, Any]:
    """An entry as JSON has it: its time is RFC 3339 with milliseconds."""
    return {**attrs.asdict(entry), "at": entry.at.isoformat(timespec="milliseconds")}


def entry_from_data(data: Mapping[str, Any]) -> Entry:
    """The entry that JSON held. Raises TypeError or ValueError when it held none."""
    return Entry(**{**data, "at": datetime.fromisoformat(data["at"])})


def reason_of(event: object, zone: tzinfo = UTC) -> str:
    """What else a row says, in a few words; times of the day in the zone."""
    match event:
        case LedgerMade():
            return "a bench's ledger" if event.bench else ""
        case PlanLoaded():
            return f"{event.rig}, {event.timezone}, sha256 {event.sha256[:12]}"
        case Calibrated():
            runs = f", {counted(len(event.runs), 'run')}" if event.runs else ""
            return f"{number(event.flow_ul_per_s * 0.06)} mL/min, {event.source}{runs}"
        case CalibrationDoubted():
            return event.reason
        case Identified():
            return ", ".join(f"{name} on GPIO {gpio}" for name, gpio in sorted(event.gpios.items()))
        case Refilled(measured=False):
            return f"confirmed as {event.stock}, {ml(event.to_ul)} by the books"
        case Refilled():
            found = "" if event.found_ul is None else f", {ml(event.found_ul)} were left"
            return f"to {ml(event.to_ul)} of {event.stock}{found}"
        case Reserved():
            into = " into a cup" if event.into is Into.CUP else ""
            return f"{event.purpose.value}{into}, {event.run_ms / 1000:.3f} s"
        case NotGiven(doses=doses):
            return event.reason if doses == 1 else f"{counted(doses, 'dose')}: {event.reason}"
        case Settled() | Held() | Stopped():
            return event.reason
        case Released(cause=str(cause)):
            return f"by {event.by}, of this cause alone: {cause}"
        case Released() | ClockConfirmed():
            return f"by {event.by}"
        case Paused():
            return "ended" if event.until_at is None else f"until {_local(event.until_at, zone)}"
        case Started():
            return f"version {event.version}"
        case Switched():
            return f"{event.name}: {event.says}"
        case Ordered():
            volume = "" if event.volume_ul is None else f" {event.channel} {ml(event.volume_ul)}"
            return f"{event.verb}{volume}, order {event.id}"
        case ClockMoved():
            return f"by {event.by_s:+.1f} s"
        case _:
            return ""


# -- the log -------------------------------------------------------------------------------------------------


def line_of(row: Row, reserved: Reserved | None = None, zone: tzinfo = UTC) -> tuple[str, str] | None:
    """(priority, one line in words with units) for the log; None for a row that is not worth a line. `reserved` is the
    reservation that a settlement settles; times of the day are told in the zone."""
    told = _told(row.event, reserved, zone)
    return None if told is None else (told[0], " ".join(told[1].split()))


def _local(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M %Z}"


def _told(event: Event, reserved: Reserved | None, zone: tzinfo) -> tuple[str, str] | None:
    match event:
        case Reserved() | Stamp():
            return None
        case Settled():
            return _settled(event, reserved)
        case NotGiven():
            return WARNING, _not_given(event)
        case Held():
            to = way_out(event.reason)
            return ERROR, f"held, all pumps off: {event.reason.rstrip(' .')}. To let it dose again: {to}"
        case Released(cause=str(cause)):
            return NOTICE, f"by {event.by}, this holds the rig no more: {cause}"
        case Released():
            return NOTICE, f"released by {event.by}"
        case Paused(until_proven_ms=None):
            return NOTICE, "the pause was ended"
        case Paused(until_at=None):
            return NOTICE, "paused"
        case Paused():
            return NOTICE, f"paused {reason_of(event, zone)}"
        case PlanLoaded():
            return NOTICE, f"the plan is in force: {reason_of(event)}"
        case Started():
            return NOTICE, f"started with every line low, {reason_of(event)}"
        case Stopped():
            return NOTICE, "stopped" + (f": {event.reason}" if event.reason else "")
        case ClockMoved():
            return WARNING, f"the clock moved by {event.by_s:+.1f} s against the time since the boot"
        case ClockConfirmed():
            return NOTICE, f"the clock is believed again: {event.by}"
        case Calibrated():
            return NOTICE, f"{event.channel}: calibrated, {reason_of(event)}"
        case CalibrationDoubted():
            return WARNING, f"{event.channel}: {event.reason}"
        case Retubed():
            return NOTICE, f"{event.channel}: new head tubing; it does not dose until it is calibrated"
        case Identified():
            return NOTICE, f"every head filled its own cup from its own reservoir: {reason_of(event)}"
        case Refilled(measured=False):
            return NOTICE, f"{event.channel}: {reason_of(event)}"
        case Refilled():
            return NOTICE, f"{event.channel}: refilled {reason_of(event)}"
        case Switched():
            return NOTICE, f"input {reason_of(event)}"
        case Ordered():
            return NOTICE, f"from the broker: {reason_of(event)}"
        case LedgerMade():
            return NOTICE, "the ledger was made" + (" for a bench" if event.bench else "")


_BY_HAND = {
    Purpose.SCHEDULED: "",
    Purpose.MANUAL: " by hand",
    Purpose.PRIME: " priming",
    Purpose.CALIBRATION: " test run",
}


def _settled(event: Settled, reserved: Reserved | None) -> tuple[str, str]:
    name, given, why = event.channel, ml(event.given_ul), f": {event.reason}" if event.reason else ""
    what, asked = "", given
    if reserved is not None:
        asked = ml(reserved.asked_ul)
        what = _BY_HAND[reserved.purpose] + (" into a cup" if reserved.into is Into.CUP else "")
    match event.outcome:
        case Outcome.GIVEN:
            how = "" if reserved is None else f",{what or ' as planned'}"
            return INFO, f"{name}: {given} given{how}{why}"
        case Outcome.PARTIAL:
            return WARNING, f"{name}: {given} given of {asked}{what}{why}"
        case Outcome.UNKNOWN:
            return ERROR, f"{name}: up to {given} may have gone in{what}; every limit counts them{why}"
        case _:
            return WARNING, f"{name}: {asked} {event.outcome.value}{what}, nothing was pumped{why}"


def _not_given(event: NotGiven) -> str:
    # The gate's own sentence begins with the channel and with what was asked.
    reason = re.sub(r"^[\d.]+ mL refused: ", "", event.reason.removeprefix(f"{event.channel}: "))
    doses = "" if event.doses == 1 else f"{counted(event.doses, 'dose')}, "
    return f"{event.channel}: {doses}{ml(event.asked_ul)} {event.outcome.value}{_BY_HAND[event.purpose]}: {reason}"
