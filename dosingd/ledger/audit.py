"""Whether a ledger may be trusted: every hash of the chain, and what its witness knows of it (R3)."""

from __future__ import annotations

import json
import shlex
import sqlite3
from collections.abc import Mapping
from pathlib import Path

from attrs import frozen

from dosingd.errors import LedgerRefused
from dosingd.ledger.database import beside
from dosingd.ledger.rows import NO_HASH, Columns, chained_hash, row_from_columns
from dosingd.ledger.witness import Booked, Mark, Witness
from dosingd.records import Event, LedgerMade, Reserved, Row, Settled

COLUMNS = ", ".join(Columns._fields)
_ALL = f"SELECT {COLUMNS}, hash FROM rows ORDER BY seq"  # noqa: S608 - the columns' own names


class Tally:
    """What is booked to each channel, and which reservations are open."""

    def __init__(self) -> None:
        self.booked: dict[str, Booked] = {}
        self._open: dict[int, tuple[str, int, int]] = {}

    def add(self, seq: int, event: Event) -> None:
        """Counts a row. A reservation counts in full until it is settled."""
        if isinstance(event, Reserved):
            self.reserve(seq, event.channel, event.reserved_ul, event.lease_ms)
        elif isinstance(event, Settled):
            self.settle(event.reservation, event.channel, event.given_ul, event.ran_ms)

    def reserve(self, seq: int, channel: str, volume_ul: int, motor_ms: int) -> None:
        self._open[seq] = (channel, volume_ul, motor_ms)
        self._book(channel, volume_ul, motor_ms)

    def settle(self, reservation: int, channel: str, volume_ul: int, motor_ms: int) -> None:
        _, reserved_ul, reserved_ms = self._open.pop(reservation)
        self._book(channel, volume_ul - reserved_ul, motor_ms - reserved_ms)

    def is_open(self, reservation: int, channel: str) -> bool:
        """Whether this is a reservation of this channel that nothing has settled."""
        return reservation in self._open and self._open[reservation][0] == channel

    def open_reservations(self) -> tuple[int, ...]:
        """The numbers of the reservations that nothing has settled, oldest first."""
        return tuple(self._open)

    def _book(self, channel: str, volume_ul: int, motor_ms: int) -> None:
        was = self.booked.get(channel, Booked())
        self.booked[channel] = Booked(was.volume_ul + volume_ul, was.motor_ms + motor_ms)


@frozen
class Audited:
    """A ledger whose chain is whole."""

    made: LedgerMade
    newest: Row
    hash: bytes
    tally: Tally


def audited(connection: sqlite3.Connection, path: Path) -> Audited:
    """Reads every row and checks that the hashes chain. Raises LedgerRefused at the first that does not."""
    tally = Tally()
    previous, seq, first, columns = NO_HASH, 0, None, None
    for found in connection.execute(_ALL):
        columns, seq = Columns._make(found[:-1]), seq + 1
        if columns.seq != seq:
            raise LedgerRefused(f"{path}: row {seq} is gone.")
        if chained_hash(previous, columns) != found[-1]:
            raise LedgerRefused(f"{path}: row {seq} was changed after it was written, or its disk block decayed.")
        previous = found[-1]
        if seq == 1:
            first = row_from_columns(columns).event
        elif columns.kind == "reserved":
            body = json.loads(columns.body)
            tally.reserve(seq, body["channel"], body["reserved_ul"], body["lease_ms"])
        elif columns.kind == "settled":
            body = json.loads(columns.body)
            tally.settle(body["reservation"], body["channel"], body["given_ul"], body["ran_ms"])
    if columns is None or not isinstance(first, LedgerMade):
        raise LedgerRefused(f"{path}: it does not begin as a ledger begins.")
    return Audited(first, row_from_columns(columns), previous, tally)


def check_against_witness(connection: sqlite3.Connection, path: Path, audit: Audited, witness: Witness) -> None:
    """Raises LedgerRefused unless the witness's newest mark is a row of this ledger.

    A ledger that is ahead of its witness is normal: the row is committed first. Without a valid slot only a ledger
    that holds nothing but its first row is accepted, because making one writes the witness last.
    """
    marks = witness.newest()
    if not marks and audit.newest.seq > 1:
        raise LedgerRefused(
            f"{path}: its witness in {witness.directory} is gone or damaged, so nothing tells whether this ledger is "
            f"the newest. Put witness-0 and witness-1 back."
        )
    for mark in marks:
        _check_mark(connection, path, audit, mark, witness)


def _check_mark(connection: sqlite3.Connection, path: Path, audit: Audited, mark: Mark, witness: Witness) -> None:
    if mark.ledger_id != audit.made.ledger_id:
        raise LedgerRefused(
            f"{path}: this is ledger {audit.made.ledger_id}, and the witness in {witness.directory} belongs to "
            f"ledger {mark.ledger_id}. Put that one back."
        )
    if mark.seq > audit.newest.seq:
        raise LedgerRefused(
            f"{path}: it ends at row {audit.newest.seq}, and its witness has seen row {mark.seq}: this is an older "
            f"copy, or rows were lost.{_lost(audit.tally.booked, mark.booked)} Put the newest ledger back."
        )
    (kept,) = connection.execute("SELECT hash FROM rows WHERE seq = ?", (mark.seq,)).fetchone()
    if kept != mark.hash:
        raise LedgerRefused(
            f"{path}: its row {mark.seq} is not the one that its witness has seen: two copies of this ledger were "
            "written to. Put the other one back."
        )


def _lost(here: Mapping[str, Booked], seen: Mapping[str, Booked]) -> str:
    lost = [
        f"{channel} {(item.volume_ul - here.get(channel, Booked()).volume_ul) / 1000:.1f} mL"
        for channel, item in sorted(seen.items())
        if item.volume_ul > here.get(channel, Booked()).volume_ul
    ]
    return f" It does not know of: {', '.join(lost)}." if lost else ""


def no_pump_runs(refusal: str, path: Path, witness: Witness) -> LedgerRefused:
    """The refusal with what it means and the commands that answer it."""
    aside = beside(path, ".aside")
    kept = [path, beside(path, "-wal"), beside(path, "-shm"), *witness.paths]
    there = [item for item in kept if item.exists()]
    quoted = " ".join(shlex.quote(str(item)) for item in (*there, aside))
    move = f"mkdir {shlex.quote(str(aside))} && mv {quoted} && " if there else ""
    return LedgerRefused(
        f"{refusal} No pump runs without a ledger that can be trusted. If nothing else helps, begin a new one, which "
        f"starts without any allowance: {move}dosingd init --plan PLAN"
    )
