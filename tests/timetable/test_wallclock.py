"""Local times at clock changes; expected instants worked out by hand from the zones' published rules (IANA tz)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from dosingd.timetable import day_bounds
from dosingd.wallclock import DayClock, early_reading_at, late_reading_at, merged, without
from tests.timetable.plans import span

H = 3_600_000


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Lisbon", date(2027, 3, 28), 23.0),
        ("Europe/Lisbon", date(2027, 10, 31), 25.0),
        ("Europe/Lisbon", date(2027, 6, 1), 24.0),
        ("Australia/Lord_Howe", date(2027, 4, 4), 24.5),
        ("Australia/Lord_Howe", date(2027, 10, 3), 23.5),
        ("America/Havana", date(2027, 3, 14), 23.0),  # midnight does not exist
        ("America/Havana", date(2027, 11, 7), 25.0),  # midnight comes twice
        ("Atlantic/Azores", date(2027, 3, 28), 23.0),  # midnight does not exist
        ("Pacific/Apia", date(2011, 12, 30), 0.0),  # the date does not exist
    ],
)
def test_a_dosing_day_is_as_long_as_its_clock_change_makes_it(zone: str, day: date, hours: float) -> None:
    start, end = day_bounds(day, ZoneInfo(zone))
    assert start.tzinfo is UTC
    assert (end - start).total_seconds() / 3600 == hours


def test_a_jumped_time_is_read_from_the_jump_to_the_same_distance_behind_it() -> None:
    new_york = ZoneInfo("America/New_York")  # 02:00 to 03:00 on 2027-03-14, 07:00 UTC
    assert early_reading_at(date(2027, 3, 14), time(2, 30), new_york) == datetime(2027, 3, 14, 7, 0, tzinfo=UTC)
    assert late_reading_at(date(2027, 3, 14), time(2, 30), new_york) == datetime(2027, 3, 14, 7, 30, tzinfo=UTC)


def test_a_repeated_time_is_read_from_its_first_to_its_second_occurrence() -> None:
    lisbon = ZoneInfo("Europe/Lisbon")  # 02:00 back to 01:00 on 2027-10-31, 01:00 UTC
    assert early_reading_at(date(2027, 10, 31), time(1, 30), lisbon) == datetime(2027, 10, 31, 0, 30, tzinfo=UTC)
    assert late_reading_at(date(2027, 10, 31), time(1, 30), lisbon) == datetime(2027, 10, 31, 1, 30, tzinfo=UTC)


def test_spans_over_the_repeated_hour_are_wide_for_quiet_and_narrow_for_windows() -> None:
    clock = DayClock.of(date(2027, 10, 31), ZoneInfo("Europe/Lisbon"))
    assert clock.wide(span("01:15", "01:45")) == [(H * 5 // 4, H * 11 // 4)]
    assert clock.narrow(span("01:15", "01:45")) == [(H * 5 // 4, H * 7 // 4)]  # narrower still would be empty
    assert clock.narrow(span("01:30", "05:00")) == [(H * 5 // 2, 6 * H)]
    assert clock.narrow(span("00:30", "01:30")) == [(H // 2, H * 3 // 2)]


def test_a_span_over_midnight_is_two_pieces_of_the_date() -> None:
    clock = DayClock.of(date(2027, 3, 28), ZoneInfo("Europe/Lisbon"))
    assert clock.narrow(span("21:00", "09:00")) == [(0, 8 * H), (20 * H, 23 * H)]
    assert clock.wide(span("21:00", "09:00")) == [(0, 8 * H), (20 * H, 23 * H)]
    assert clock.narrow(span("00:00", "00:00")) == [(0, 23 * H)]


def test_a_window_that_the_clock_jumps_over_begins_at_the_jump_and_keeps_its_length() -> None:
    clock = DayClock.of(date(2027, 3, 28), ZoneInfo("Europe/Lisbon"))  # 01:00 to 02:00
    assert clock.narrow(span("01:00", "02:00")) == [(H, 2 * H)]
    assert clock.narrow(span("01:15", "01:45")) == [(H * 5 // 4, H * 7 // 4)]


def test_what_the_clock_shows_counts_a_repeated_time_twice_and_a_jumped_one_not_at_all() -> None:
    autumn = DayClock.of(date(2027, 10, 31), ZoneInfo("Europe/Lisbon"))
    assert autumn.shown(span("01:15", "01:45")) == [(H * 5 // 4, H * 7 // 4), (H * 9 // 4, H * 11 // 4)]
    spring = DayClock.of(date(2027, 3, 28), ZoneInfo("Europe/Lisbon"))
    assert spring.shown(span("00:30", "02:30")) == [(H // 2, H * 3 // 2)]
    santiago = DayClock.of(date(2027, 4, 3), ZoneInfo("America/Santiago"))  # 24:00 back to 23:00
    assert santiago.shown(span("23:15", "23:00")) == [(0, 23 * H), (H * 93 // 4, 24 * H), (H * 97 // 4, 25 * H)]


def test_local_labels_end_at_24() -> None:
    clock = DayClock.of(date(2027, 3, 28), ZoneInfo("Europe/Lisbon"))
    assert [clock.local(at) for at in (0, H, 23 * H)] == ["00:00", "02:00", "24:00"]


def test_stretches_are_joined_and_cut() -> None:
    assert merged([(5, 9), (0, 2), (2, 4), (7, 7), (8, 12)]) == [(0, 4), (5, 12)]
    assert without([(0, 10), (20, 30)], [(5, 25), (28, 29)]) == [(0, 5), (25, 28), (29, 30)]
