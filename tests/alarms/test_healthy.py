"""A healthy rig raises fewer than five alarms a month: more of them, and a person stops reading.

The pretend pumps' flows lie up to 2 % beside the nominal one by the seed; the plans' rigs are invented.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from dosingd.alarms import Kind
from dosingd.plan import read_plan
from dosingd.rehearsal import Report, rehearse

CONFIG = Path(__file__).parents[2] / "config"
FEWER_THAN = 5


def lived(name: str, days: int, seed: int, drift: float = 0.0) -> Report:
    plan, _ = read_plan((CONFIG / name).read_bytes(), name)
    # From the middle of March: a short day, and of a longer time a long one.
    return rehearse(
        plan, days=days, start=date(2026, 3, 15), seed=seed, drift_per_week=dict.fromkeys(plan.channels, drift)
    )


def most_in_30_days(report: Report, kind: Kind, channel: str) -> int:
    raised = sorted(one.alarm.since for one in report.alarms if (one.alarm.kind, one.alarm.channel) == (kind, channel))
    return max((sum(at <= other < at + timedelta(days=30) for other in raised) for at in raised), default=0)


@pytest.mark.parametrize(
    ("name", "seed"), [("lagoon.yaml", 1), ("lagoon.yaml", 2), ("smallest.yaml", 3), ("changeover.yaml", 4)]
)
def test_a_healthy_month_raises_fewer_than_five(name: str, seed: int) -> None:
    report = lived(name, 31, seed)
    assert len(report.alarms) < FEWER_THAN
    assert sum(day.channels[channel].refused for day in report.days for channel in day.channels) == 0


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["lagoon.yaml", "smallest.yaml", "changeover.yaml"])
@pytest.mark.parametrize("seed", range(5, 9))
@pytest.mark.parametrize("drift", [0.0, 0.005, -0.005])
def test_a_healthy_year_raises_fewer_than_five_a_month_on_average(name: str, seed: int, drift: float) -> None:
    report = lived(name, 365, seed, drift)
    assert 0 < len(report.alarms) < FEWER_THAN * 12, "a year has refills and calibrations in it"
    assert {one.alarm.kind for one in report.alarms} <= {Kind.RESERVOIR_LOW, Kind.CALIBRATION_DUE}
    for channel in report.channels:
        # A reservoir of four weeks, warned of a week ahead; calibrations fall due together, one afternoon of work.
        assert most_in_30_days(report, Kind.RESERVOIR_LOW, channel) <= 2
        assert most_in_30_days(report, Kind.CALIBRATION_DUE, channel) <= 1
