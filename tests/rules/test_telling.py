"""The ledger's rows in words: a history's entries, and one line of the log with its priority."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from attrs import evolve

from dosingd.leases import CONFIRM_PLAN, PLAN_CHANGED
from dosingd.ledger.rows import KINDS
from dosingd.records import (
    ClockConfirmed,
    ClockMoved,
    Event,
    Held,
    Into,
    LedgerMade,
    NotGiven,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Reading,
    Refilled,
    Released,
    Reserved,
    Row,
    Settled,
    Stamp,
    Started,
    Stopped,
)
from dosingd.telling import Zones, entries_of, entry_data, entry_from_data, kind_of, line_of
from dosingd.words import duration

AT = datetime(2027, 3, 28, 12, 0, tzinfo=UTC)
RESERVED = Reserved("alk", Purpose.SCHEDULED, Into.TANK, 2840, 2965, 11_360, 11_860, 250.0, slot="s")
SETTLED = Settled(1, "alk", Outcome.GIVEN, 2840, 11_360)


def row(event: Event, seq: int = 1) -> Row:
    return Row(seq, Reading(AT + timedelta(seconds=seq), "boot", 10.0 + seq, True), event, 0)


def test_a_kind_has_the_name_that_it_has_on_the_disk() -> None:
    for kind, cls in KINDS.items():
        event: Event = object.__new__(cls)
        assert kind_of(event) == kind


@pytest.mark.parametrize(
    ("event", "reserved", "expected"),
    [
        (RESERVED, None, None),
        (Stamp(), None, None),
        (SETTLED, RESERVED, ("info", "alk: 2.84 mL given, as planned")),
        (SETTLED, None, ("info", "alk: 2.84 mL given")),
        (SETTLED, evolve(RESERVED, purpose=Purpose.MANUAL), ("info", "alk: 2.84 mL given, by hand")),
        (
            SETTLED,
            evolve(RESERVED, purpose=Purpose.PRIME, into=Into.CUP),
            ("info", "alk: 2.84 mL given, priming into a cup"),
        ),
        (
            evolve(SETTLED, outcome=Outcome.PARTIAL, given_ul=1200, reason="interrupted"),
            RESERVED,
            ("warning", "alk: 1.20 mL given of 2.84 mL: interrupted"),
        ),
        (
            evolve(SETTLED, outcome=Outcome.UNKNOWN, given_ul=2965, reason="the run's end was not seen"),
            RESERVED,
            ("error", "alk: up to 2.96 mL may have gone in; every limit counts them: the run's end was not seen"),
        ),
        (
            evolve(SETTLED, outcome=Outcome.MISSED, given_ul=0, reason="the rig is paused."),
            RESERVED,
            ("warning", "alk: 2.84 mL missed, nothing was pumped: the rig is paused."),
        ),
        (
            NotGiven("alk", Outcome.REFUSED, 2840, "alk: 2.84 mL refused: its dose limit leaves 2.00 mL now."),
            None,
            ("warning", "alk: 2.84 mL refused: its dose limit leaves 2.00 mL now."),
        ),
        (
            NotGiven("alk", Outcome.REFUSED, 500, "alk: 0.50 mL refused: no.", Purpose.MANUAL),
            None,
            ("warning", "alk: 0.500 mL refused by hand: no."),
        ),
        (
            NotGiven("ca", Outcome.MISSED, 68_000, "the rig did not run", doses=24),
            None,
            ("warning", "ca: 24 doses, 68.00 mL missed: the rig did not run"),
        ),
        (Held("a leak."), None, ("error", "held, all pumps off: a leak. To let it dose again: dosingd release")),
        (Held("a leak"), None, ("error", "held, all pumps off: a leak. To let it dose again: dosingd release")),
        (Released("a person"), None, ("notice", "released by a person")),
        (Released("a person", "a leak"), None, ("notice", "by a person, this holds the rig no more: a leak")),
        (
            Held(f"{PLAN_CHANGED}: alk: more"),
            None,
            ("error", f"held, all pumps off: {PLAN_CHANGED}: alk: more. To let it dose again: {CONFIRM_PLAN}"),
        ),
        (Paused(1000, AT), None, ("notice", "paused until 2027-03-28 12:00 UTC")),
        (Paused(None), None, ("notice", "the pause was ended")),
        (
            PlanLoaded("ab" * 32, "lagoon", "Europe/Lisbon", {}, AT),
            None,
            ("notice", "the plan is in force: lagoon, Europe/Lisbon, sha256 abababababab"),
        ),
        (Started("1.0"), None, ("notice", "started with every line low, version 1.0")),
        (Stopped("by SIGTERM"), None, ("notice", "stopped: by SIGTERM")),
        (ClockMoved(-7200.0), None, ("warning", "the clock moved by -7200.0 s against the time since the boot")),
        (ClockConfirmed("a person"), None, ("notice", "the clock is believed again: a person")),
        (Refilled("alk", 2_000_000, None, "soda", {}, 0), None, ("notice", "alk: refilled to 2000 mL of soda")),
        (LedgerMade("id", bench=True), None, ("notice", "the ledger was made for a bench")),
    ],
)
def test_a_row_is_one_line_of_the_log(
    event: Event, reserved: Reserved | None, expected: tuple[str, str] | None
) -> None:
    assert line_of(row(event), reserved) == expected


def test_a_reason_with_line_ends_is_one_line_all_the_same() -> None:
    told = line_of(row(Stopped("one\ntwo\r\nthree")))
    assert told == ("notice", "stopped: one two three")


def plan_row(seq: int, zone: str) -> Row:
    return row(PlanLoaded("00" * 32, "lagoon", zone, {}, AT), seq)


def test_each_row_is_shown_in_the_zone_of_its_day() -> None:
    zones = Zones([plan_row(2, "Europe/Lisbon"), plan_row(5, "Pacific/Auckland")])
    offsets = [zones.at(seq).utcoffset(AT.replace(tzinfo=None)) for seq in (1, 2, 4, 5, 9)]
    # Lisbon has summer time from 28 March 2027, 01:00 UTC; Auckland until 4 April 2027 (IANA time zone database).
    assert [0 if each is None else each.total_seconds() / 3600 for each in offsets] == [0, 1, 1, 13, 13]
    assert str(zones.newest) == "Pacific/Auckland"


def test_a_settlement_shows_what_was_asked_although_its_reservation_is_on_the_page_before() -> None:
    rows = {1: row(RESERVED, 1), 2: row(SETTLED, 2)}
    zones = Zones([])
    both = list(entries_of(rows.values(), zones, lambda _: pytest.fail("it is on this page")))
    alone = list(entries_of([rows[2]], zones, rows.get))
    assert both[1] == alone[0]
    assert (alone[0].asked_ul, alone[0].given_ul, alone[0].outcome, alone[0].slot) == (2840, 2840, "given", None)
    assert next(entries_of([rows[2]], zones, lambda _: None)).asked_ul is None


def test_an_entry_comes_back_from_json() -> None:
    entry = next(entries_of([plan_row(1, "Europe/Lisbon")], Zones([]), lambda _: None))
    assert entry_data(entry)["at"] == "2027-03-28T12:00:01.000+00:00"
    assert entry_from_data(entry_data(entry)) == entry


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (45, "45 s"),
        (119.4, "119 s"),
        (120, "2 min"),
        (1800, "30 min"),
        (5400, "1 h 30 min"),
        (7200, "2 h"),
        (259_200, "3 days"),
    ],
)
def test_a_duration_is_said_as_a_keeper_says_it(seconds: float, expected: str) -> None:
    assert duration(seconds) == expected


def test_the_end_of_a_pause_is_told_in_the_plan_s_own_time() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    paused = row(Paused(1, datetime(2027, 6, 1, 12, 0, tzinfo=UTC)), 2)
    assert line_of(paused, None, zone) == ("notice", "paused until 2027-06-01 13:00 WEST")
    loaded = row(PlanLoaded("0" * 64, "lagoon", "Europe/Lisbon", {}, AT))
    [entry] = entries_of([paused], Zones([loaded]), lambda _: None)
    assert entry.reason == "until 2027-06-01 13:00 WEST"
