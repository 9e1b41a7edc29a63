"""Tubing that wears: the alarm comes before the flow is 15 % off, and a keeper who follows it keeps the tank's change.

The drift of -3 % a week is a bad tubing's, made up. 15 % is where a day's alkalinity begins to show on a test kit.
"""

from __future__ import annotations

from datetime import date

import pytest
from attrs import evolve

from dosingd.alarms import Kind
from dosingd.flows import flow_of, valid_calibration
from dosingd.records import Retubed
from dosingd.rehearsal import Happening, Rehearsal, rehearse
from dosingd.rehearsal.rig import DAY_S
from tests.builders import ALK, plan

START = date(2026, 6, 1)
DRIFT = {"alk": -0.03}
PLAN = plan(ALK)


def errors(days: int) -> tuple[list[Happening], list[float]]:
    """A look each noon at how far the flow that doses are timed by is off the true one."""
    seen: list[float] = []

    def look(of: Rehearsal) -> None:
        true = of.rig.pulses["alk"].ul_per_s_at(of.clock.true_s)
        seen.append(true / flow_of(of.plan, of.account.books, "alk").ul_per_s - 1)

    return [Happening((day + 0.5) * DAY_S, look) for day in range(days)], seen


def test_a_tubing_that_loses_3_percent_a_week_is_told_of_before_it_is_15_percent_off() -> None:
    happenings, seen = errors(45)
    report = rehearse(PLAN, days=45, start=START, drift_per_week=DRIFT, happenings=happenings)
    due = [one.alarm for one in report.alarms if one.alarm.kind is Kind.CALIBRATION_DUE]
    assert {alarm.channel for alarm in due} == {"alk"}
    day = (min(alarm.since for alarm in due).date() - START).days
    assert abs(0.97 ** (day / 7) - 1) < 0.15
    # The keeper comes a day after each alarm: the flow is never further off than at the first.
    assert max(abs(each) for each in seen) < 0.10
    assert max(abs(each) for each in seen[28:]) < 0.05
    assert report.channels["alk"].worst_24h_ul <= report.channels["alk"].day_limit_ul


def test_with_that_keeper_a_days_true_volume_stays_within_10_percent_and_is_never_more_than_planned() -> None:
    volumes: list[float] = []

    def day_over(of: Rehearsal) -> None:
        to_s = of.clock.true_s
        volumes.append(of.rig.pulses["alk"].given_ul(to_s - DAY_S, to_s))

    happenings = [Happening((day + 1) * DAY_S, day_over) for day in range(40)]
    rehearse(PLAN, days=41, start=START, drift_per_week=DRIFT, happenings=happenings)
    assert len(volumes) == 40
    assert min(volumes) > 0.9 * 24_000
    assert max(volumes) < 24_000 * 1.001  # a run is timed to the millisecond: 24 of them, 0.1 µL each


def test_a_tubing_that_does_not_drift_is_calibrated_once_more_and_then_by_its_age() -> None:
    report = rehearse(PLAN, days=40, start=START, drift_per_week={"alk": 1e-9})
    due = [one.alarm for one in report.alarms if one.alarm.kind is Kind.CALIBRATION_DUE]
    assert [(alarm.channel, (alarm.since.date() - START).days) for alarm in due] == [("alk", 21)]


def test_a_bench_asks_for_no_calibration_before_its_age_does() -> None:
    report = rehearse(PLAN, days=78, start=START)
    due = [one for one in report.alarms if one.alarm.kind is Kind.CALIBRATION_DUE]
    assert {(one.alarm.since.date() - START).days for one in due} == {76}
    assert all(one.ended_at is not None for one in due)


@pytest.mark.parametrize("share", [0.8, 1.3])
def test_new_tubing_with_another_flow_doses_again_once_the_keeper_has_calibrated_it(share: float) -> None:
    def retube(of: Rehearsal) -> None:
        of.account.write(Retubed("alk"), of.clock.now())
        of.rig.pulses["alk"] = evolve(of.rig.pulses["alk"], true_ul_per_s=100.0 * share)

    known: list[float] = []

    def look(of: Rehearsal) -> None:
        found = valid_calibration(of.plan, of.account.books, "alk")
        known.append(0.0 if found is None else found.event.flow_ul_per_s)

    happenings = [Happening(2.5 * DAY_S, retube), Happening(3.0 * DAY_S, look), Happening(4.5 * DAY_S, look)]
    report = rehearse(PLAN, days=6, start=START, happenings=happenings)
    assert known == [0.0, pytest.approx(100.0 * share)]
    assert Kind.NO_CALIBRATION in {one.alarm.kind for one in report.alarms}
    # From the retubing to the keeper a day later nothing is given, and nothing is made up for afterwards.
    assert [day.channels["alk"].given_ul for day in report.days] == [24_000, 24_000, 12_000, 12_000, 24_000, 24_000]
