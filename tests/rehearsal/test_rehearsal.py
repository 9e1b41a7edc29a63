"""A plan lived through in virtual time: healthy plans lose nothing, no plan passes a limit, short ones say so."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from dosingd.alarms import Kind
from dosingd.errors import CannotLay
from dosingd.plan import Plan, read_plan
from dosingd.rehearsal import Report, rehearse
from dosingd.rehearsal.rig import worst_window_ul
from tests.builders import ALK, CA, channel, limited, plan, span

EXAMPLE = Path(__file__).parents[2] / "config" / "lagoon.yaml"
START = date(2026, 6, 1)


def example() -> Plan:
    return read_plan(EXAMPLE.read_bytes(), EXAMPLE.name)[0]


def healthy(report: Report) -> None:
    for day in report.days:
        for name, of in day.channels.items():
            assert (of.refused, of.missed) == (0, 0), (day.date, name)
            assert of.given_ul == of.planned_ul, (day.date, name)
    for of_all in report.channels.values():
        assert of_all.given_ul == of_all.planned_ul
        assert of_all.worst_24h_ul <= of_all.day_limit_ul


QUIET_WEEK = plan(
    ALK,
    CA,
    quiet=(span("19:00", "19:30"), span("23:30", "00:30")),
    zone="Europe/Lisbon",
)


@pytest.mark.parametrize("days", [7, 30])
def test_a_healthy_plan_refuses_and_misses_nothing(days: int) -> None:
    report = rehearse(example(), days=days, start=START)
    healthy(report)
    assert len(report.days) == days
    assert {one.alarm.kind for one in report.alarms} <= {Kind.RESERVOIR_LOW}


@pytest.mark.parametrize("start", [date(2027, 3, 25), date(2027, 10, 28)])
def test_the_weeks_of_a_clock_change_lose_nothing(start: date) -> None:
    healthy(rehearse(example(), days=7, start=start))


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "Australia/Lord_Howe", "America/Santiago", "Asia/Tokyo"])
def test_a_plan_with_quiet_times_loses_nothing_anywhere(zone: str) -> None:
    for start in (date(2027, 3, 25), date(2027, 9, 2), date(2027, 10, 1)):
        healthy(rehearse(evolve(QUIET_WEEK, timezone=zone), days=6, start=start))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pumps_beside_their_nominal_flow_are_calibrated_and_lose_nothing(seed: int) -> None:
    report = rehearse(plan(), days=5, start=START, seed=seed)
    healthy(report)
    assert report == rehearse(plan(), days=5, start=START, seed=seed)
    assert report.channels["alk"].worst_24h_ul != rehearse(plan(), days=5, start=START).channels["alk"].worst_24h_ul


def test_a_new_ledger_starts_at_zero_and_stays_within_its_limits() -> None:
    report = rehearse(example(), days=5, start=START, new=True)
    first = report.days[0].channels["alk"]
    assert first.refused > 0
    assert first.given_ul < first.planned_ul
    for name, of in report.channels.items():
        assert of.worst_24h_ul <= of.day_limit_ul, name
        assert of.given_ul <= of.planned_ul, name
    for day in report.days[2:]:
        assert {(of.refused, of.missed) for of in day.channels.values()} == {(0, 0)}


def test_a_limit_that_is_too_short_refuses_and_raises_alarms() -> None:
    short = plan(limited(ALK, day_ul=14_000, dose_ul=3_500))  # of 24 mL
    report = rehearse(short, days=4, start=START)
    kinds = {(one.alarm.kind, one.alarm.channel) for one in report.alarms}
    assert (Kind.DOSE_REFUSED, "alk") in kinds
    assert (Kind.SHORTFALL, "alk") in kinds
    assert report.channels["alk"].worst_24h_ul <= 14_000
    # 14 * 3/4 mL in 87,000 s of the 3rd and 4th day, a dose more or less.
    for day in report.days[2:]:
        assert abs(day.channels["alk"].given_ul - 10_500 * 86_400 / 87_000) <= 1_050


def test_a_keeper_refills_a_day_after_the_alarm() -> None:
    small = plan(channel("alk", holds_ul=200_000, reserve_ul=10_000, warn_days=2.0))
    report = rehearse(small, days=21, start=START)
    healthy(report)
    of = report.channels["alk"]
    # 190 mL to the reserve; low below 48 mL over it, after 6 days, a day later refilled: every 7 days or so.
    assert of.refills in (2, 3)
    assert of.reservoir_left_ul > 10_000
    lows = [one for one in report.alarms if one.alarm.kind is Kind.RESERVOIR_LOW]
    assert len(lows) == of.refills + (lows[-1].ended_at is None)
    for one in lows:
        if one.ended_at is not None:
            assert timedelta(hours=24) <= one.ended_at - one.alarm.since <= timedelta(hours=25, minutes=30)


def test_a_reservoir_that_is_refilled_too_late_stops_its_channel_at_the_reserve() -> None:
    late = plan(channel("alk", holds_ul=100_000, reserve_ul=50_000, warn_days=0.1))
    report = rehearse(late, days=4, start=START)
    assert Kind.RESERVOIR_RESERVE in {one.alarm.kind for one in report.alarms}
    assert sum(day.channels["alk"].refused for day in report.days) > 0


def test_a_day_that_cannot_be_laid_is_told() -> None:
    crowded = plan(ALK, CA, gap_s=3_500.0)
    try:
        report = rehearse(crowded, days=1, start=START)
    except CannotLay:
        return
    assert Kind.CANNOT_LAY in {one.alarm.kind for one in report.alarms}
    assert report.channels["alk"].given_ul == 0


def test_progress_is_told_day_by_day() -> None:
    told: list[int] = []
    rehearse(plan(ALK), days=3, start=START, progress=told.append)
    assert told == [1, 2, 3]


def _worst_by_brute_force(spans: list[tuple[float, float]], window_s: float) -> float:
    starts = [edge for a, b in spans for edge in (a, a - window_s, b, b - window_s)]
    return max(sum(max(0.0, min(b, begin + window_s) - max(a, begin)) for a, b in spans) for begin in starts)


@given(
    st.lists(st.tuples(st.integers(1, 400), st.integers(1, 200)), min_size=1, max_size=25),
    st.integers(1, 2_000),
)
def test_the_worst_window_is_that_of_brute_force(pairs: list[tuple[int, int]], window_s: int) -> None:
    spans, now = [], 0.0
    for gap_s, run_s in pairs:
        now += gap_s
        spans.append((now, now + run_s))
        now += run_s
    assert worst_window_ul(spans, 2.0, float(window_s)) == pytest.approx(2.0 * _worst_by_brute_force(spans, window_s))


def test_the_worst_window_of_no_pulse_is_nothing() -> None:
    assert worst_window_ul([], 100.0) == 0.0
    assert worst_window_ul([(0.0, 10.0), (86_400.0, 86_410.0)], 100.0) == 1_000.0
    assert worst_window_ul([(0.0, 10.0), (86_395.0, 86_405.0)], 100.0) == 1_500.0
