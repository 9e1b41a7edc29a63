"""Readings, events and whole ledgers that the tests of this room share, and the children that they kill."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import traceback
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dosingd.errors import LedgerRefused
from dosingd.ledger import Book, Witness
from dosingd.records import (
    Calibrated,
    CalibrationDoubted,
    ClockConfirmed,
    ClockMoved,
    Event,
    HeadRow,
    Held,
    Identified,
    Into,
    LedgerMade,
    LimitsRow,
    NotGiven,
    Ordered,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Reading,
    Refilled,
    Released,
    Reserved,
    Retubed,
    Settled,
    Stamp,
    Started,
    Stopped,
    Switched,
)

NOON_AT = datetime(2026, 3, 28, 12, tzinfo=UTC)
MADE = LedgerMade("ledger-of-the-tests", bench=True)
OTHER = LedgerMade("another-ledger", bench=True)


def reading(mono_s: float = 0.0, boot_id: str = "boot-1") -> Reading:
    """A look at clocks that agree."""
    return Reading(NOON_AT + timedelta(seconds=mono_s), boot_id, mono_s, synchronised=True)


def reserved(slot: str | None = "alk-1", channel: str = "alk", volume_ul: int = 3_000) -> Reserved:
    """A dose as it is reserved: 3 mL in 12 s at 15 mL/min, one second of lease more."""
    return Reserved(
        channel=channel,
        purpose=Purpose.SCHEDULED,
        into=Into.TANK,
        asked_ul=volume_ul,
        reserved_ul=volume_ul + 250,
        run_ms=12_000,
        lease_ms=13_000,
        nominal_ul_per_s=250.0,
        change_umol={"alkalinity": 5_590},
        slot=slot,
        due_at=NOON_AT,
        day=date(2026, 3, 28),
        levels={"alk.volume": 12_000_000, "alk.run": -5},
    )


def settled(reservation: int, channel: str = "alk", given_ul: int = 2_900) -> Settled:
    """A dose as it ended."""
    return Settled(reservation, channel, Outcome.GIVEN, given_ul, ran_ms=11_600, slot="alk-1")


#: What tests/ledger/kept/v1.sql holds: one event of each kind that there was then, every field of it in use, as they
#: could follow one another. A field that came later has its default here.
KEPT_EVENTS: tuple[Event, ...] = (
    LedgerMade("ledger-of-the-tests", bench=True, full=True),
    Started("0.1.0"),
    PlanLoaded(
        "0f" * 32,
        "lagoon",
        "Europe/Lisbon",
        {"alk": LimitsRow(115_000, 920_000, {"alkalinity": 199_724}, 31_000)},
        NOON_AT,
    ),
    Calibrated("alk", 251.25, -12.5, ((60.0, 15_060.0), (60.5, 15_190.25)), "measured"),
    Refilled("alk", 2_000_000, 150_000, "soda", {"alkalinity": 1.7655}, 3_500),
    Refilled("ca", 2_000_000, None, "chloride", {"calcium": 0.883}, 0),
    reserved("alk-1"),
    Settled(7, "alk", Outcome.PARTIAL, 1_250, 5_000, {"alkalinity": 2_207}, "alk-1", "held by the keeper, 12:00"),
    NotGiven(
        "ca",
        Outcome.REFUSED,
        3_000,
        "above the day limit: 93.2 of 95 mL",
        Purpose.MANUAL,
        {"limit": "day", "allowance_ul": 1_100, "share": 0.5, "fits": None, "most": [1, 2]},
        "ca-1",
        NOON_AT + timedelta(microseconds=1),
        date(2026, 3, 28),
        3,
        1_500.5,
    ),
    Held("the leak sensor is wet: «Überlauf»\n"),
    Released("by hand"),
    Paused(86_400_000, NOON_AT + timedelta(hours=1)),
    Paused(None),
    Stamp(),
    ClockMoved(-3_600.25),
    ClockConfirmed("keeper"),
    Stopped("SIGTERM"),
)
_HEAD = HeadRow(17, 250.0, 0.6, 3_500)
_RUNS = ((10.0, 2_510.5), (30.0, 7_540.0), (29.5, 7_410.25))
#: One event of each kind, and every field in use.
EVERY_EVENT: tuple[Event, ...] = (
    *KEPT_EVENTS,
    Retubed("alk"),
    Calibrated("alk", 251.4, -3.5, _RUNS, "declared", _HEAD, 0.8, 19.5, 12.25, 0.95, 2_905, 22.0, None),
    CalibrationDoubted("alk", 301.4, -3.5, _RUNS, "measured", _HEAD, "20 % off the last one", None, 1.08),
    Identified({"alk": 17, "ca": 27}),
    Refilled("alk", 1_900_000, 430_000, "soda", {"alkalinity": 1.5}, 3_500, {"alkalinity": 1.4}, measured=True),
    Refilled("alk", 1_900_000, None, "soda", {"alkalinity": 1.4}, 3_500, {"alkalinity": 1.4}, measured=False),
    Switched("float.alk", "not low"),
    Ordered("a-1", "dose", "alk", 500, NOON_AT, NOON_AT + timedelta(minutes=1)),
    Ordered("a-2", "hold", None, None, NOON_AT, NOON_AT + timedelta(minutes=1)),
)


def place(directory: Path) -> tuple[Path, Witness]:
    """Where the ledger of a test lies, and its witness."""
    return directory / "ledger.db", Witness(directory / "witness")


def made(directory: Path, *events: Event) -> Path:
    """A closed ledger that holds these events after its first row; one second between rows."""
    path, witness = place(directory)
    book = Book.make(path, witness, MADE, reading())
    for second, event in enumerate(events, start=1):
        book.append(event, reading(second))
    book.close()
    return path


def copied(directory: Path, to: Path) -> Path:
    """A copy of a whole state directory, as a backup takes it."""
    shutil.copytree(directory, to, dirs_exist_ok=True)
    return to


def refused(directory: Path, words: str) -> str:
    """Opening is refused with these words and the next command, and changes no row and no slot."""
    path, witness = place(directory)
    slots = [item.read_bytes() for item in witness.paths if item.is_file()]
    with pytest.raises(LedgerRefused, match=words) as caught:
        Book.open(path, witness)
    assert [item.read_bytes() for item in witness.paths if item.is_file()] == slots
    message = str(caught.value)
    assert message.endswith("dosingd init --plan PLAN")
    assert "No pump runs" in message
    return message


def opens(directory: Path) -> int:
    """Opening works; the number of its newest row."""
    book = Book.open(*place(directory))
    book.close()
    return book.newest.seq


def seqs_on_disk(path: Path) -> list[int]:
    """The rows as SQLite itself finds them, on a copy, so that looking changes nothing."""
    look = path.parent / "look"
    look.mkdir()
    try:
        for item in path.parent.glob(f"{path.name}*"):
            shutil.copy(item, look)
        connection = sqlite3.connect(look / path.name)
        try:
            return [seq for (seq,) in connection.execute("SELECT seq FROM rows ORDER BY seq")]
        finally:
            connection.close()
    finally:
        shutil.rmtree(look)


Say = Callable[[str], None]


def child(work: Callable[[Say], None]) -> tuple[list[str], int]:
    """Runs `work` in a process of its own; what it said before it ended, and how it ended (negative: the signal).

    What was said counts as acknowledged: it left the process before anything that came later.
    """
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:  # the child
        status = 70
        try:
            os.close(reader)
            work(lambda line: _say(writer, line))
            status = 0
        except BaseException:
            _say(writer, traceback.format_exc().replace("\n", " | "))
        finally:
            os._exit(status)
    os.close(writer)
    with os.fdopen(reader) as said:
        lines = said.read().splitlines()
    _, status = os.waitpid(pid, 0)
    return lines, os.waitstatus_to_exitcode(status)


def _say(writer: int, line: str) -> None:
    os.write(writer, line.encode() + b"\n")


def die() -> None:
    """Ends this process as a power cut would: nothing is closed, nothing is tidied."""
    os.kill(os.getpid(), signal.SIGKILL)


def synced_and_placed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A list that grows with each file or directory that is synced and each name that is given, in their order."""
    done: list[str] = []
    fsync = os.fsync

    def note_sync(descriptor: int) -> None:
        done.append(f"sync {Path(os.readlink(f'/proc/self/fd/{descriptor}')).name}")
        fsync(descriptor)

    def noted(verb: str, call: Callable[[Path, Path], None]) -> Callable[[Path, Path], None]:
        def note(source: Path, target: Path) -> None:
            done.append(f"{verb} {source.name} {target.name}")
            call(source, target)

        return note

    monkeypatch.setattr(os, "fsync", note_sync)
    for verb in ("rename", "replace", "link"):
        monkeypatch.setattr(os, verb, noted(verb, getattr(os, verb)))
    return done
