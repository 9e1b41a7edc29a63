"""When a calibration falls due, and what a keeper is told of. Rates are invented."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from attrs import evolve

from dosingd.alarms import Alarm, Kind, alarms
from dosingd.flows import head_of
from dosingd.limits import plan_loaded
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, CalibrationDoubted, Identified, Into, LedgerMade, Outcome, Retubed, Settled
from dosingd.upkeep import MOTOR_HOURS, SECOND_LOOK_AFTER, Due, drift_per_day, due, findings
from tests.builders import ALK, EPOCH_AT, START_AT, Story, channel, limited, plan

PLAN = plan(ALK)
DAY_S = 86_400.0


def calibrated(of: Story, flow: float = 100.0, source: str = "measured") -> None:
    of.tell(Calibrated("alk", flow, source=source, head=head_of(of.plan.channels["alk"])))


def story(*flows: tuple[float, float], of: Plan = PLAN) -> Story:
    """Calibrations, each (day, flow)."""
    told = Story(of, calibrated=False)
    for day, flow in flows:
        calibrated(told.at(day * DAY_S), flow)
    return told


def falls_due(of: Story) -> Due:
    found = due(of.plan, of.books, "alk", of.now.wall_at)
    assert found is not None
    return found


def day_of(at: datetime) -> float:
    return (at - START_AT) / timedelta(days=1)


def alarm(of: Story, kind: Kind) -> Alarm | None:
    found = [one for one in alarms(of.plan, of.books, of.now, None, None) if one.kind is kind]
    assert len(found) <= 1
    return found[0] if found else None


# -- when it falls due ---------------------------------------------------------------------------------------


def test_by_age_after_90_days() -> None:
    found = falls_due(story((3.0, 100.0)))
    assert (day_of(found.at), found.why) == (93.0, "age")


def test_by_the_hours_that_the_plan_will_run_the_motor() -> None:
    busy = plan(limited(channel("alk", daily=ALK.daily, doses=24), day_ul=2_000_000, run_s=80_000.0))
    of = story((0.0, 100.0 / 15), of=busy)  # 24 mL a day at 6.67 µL/s are an hour of motor a day
    found = falls_due(of)
    assert found.why == "motor hours"
    assert day_of(found.at) == pytest.approx(MOTOR_HOURS)


def test_by_the_hours_that_the_motor_really_ran() -> None:
    of = story((0.0, 100.0))
    of.at(10 * DAY_S)
    for _ in range(2):
        row = of.reserve("alk", 1_000, into=Into.CUP)
        of.tell(Settled(row.seq, "alk", Outcome.GIVEN, 1_000, int(MOTOR_HOURS / 2 * 3_600_000)))
    assert falls_due(of) == Due(of.now.wall_at, "motor hours")
    calibrated(of.at(11 * DAY_S))  # the hours count from the newest calibration
    assert falls_due(of).why == "age"


def test_by_the_drift_of_the_last_calibrations_when_it_will_have_come_to_5_percent() -> None:
    # -3 % in a week is -3/97/7 of the newest flow a day; 5 % more take 11.3 days.
    found = falls_due(story((0.0, 100.0), (7.0, 97.0)))
    assert found.why == "drift"
    assert day_of(found.at) == pytest.approx(7 + 0.05 * 7 * 97 / 3)


@pytest.mark.parametrize("flows", [((0.0, 100.0), (6.9, 97.0)), ((0.0, 100.0),), ()])
def test_scatter_of_some_days_is_no_drift(flows: tuple[tuple[float, float], ...]) -> None:
    of = story(*flows)
    assert drift_per_day(of.books.tubing_of("alk").holding) is None


def test_the_drift_is_the_line_through_all_calibrations_on_this_tubing() -> None:
    of = story((0.0, 100.0), (10.0, 99.0), (20.0, 98.0), (30.0, 97.0))
    assert drift_per_day(of.books.tubing_of("alk").holding) == pytest.approx(-0.1 / 97)
    of.tell(Retubed("alk"))
    assert due(PLAN, of.books, "alk", of.now.wall_at) is None
    calibrated(of.at(31 * DAY_S), 90.0)
    assert falls_due(of).why == "age"


def test_a_calibration_of_another_head_says_nothing_of_the_drift() -> None:
    of = story((0.0, 100.0))
    of.plan = plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)))
    calibrated(of.at(20 * DAY_S), 60.0)
    assert falls_due(of).why == "age"


def test_a_change_that_a_second_set_confirmed_is_no_drift() -> None:
    of = story((0.0, 100.0))
    of.at(10 * DAY_S).tell(Calibrated("alk", 82.0, source="measured", head=head_of(ALK), second_set=True))
    assert falls_due(of).why == "age"
    assert alarm(of.at(20 * DAY_S - 1), Kind.CALIBRATION_DUE) is None
    second_look = alarm(of.at(20 * DAY_S), Kind.CALIBRATION_DUE)
    assert second_look is not None
    assert "calibrated once since its flow changed" in second_look.text
    calibrated(of, 82.0)
    assert falls_due(of).why == "age"
    calibrated(of.at(38 * DAY_S), 80.0)
    assert falls_due(of).why == "drift"


def test_a_calibration_of_a_day_that_lies_ahead_is_due_now() -> None:
    # Booked by a clock that ran ten years ahead, it would never fall due.
    of = story((3650.0, 100.0))
    of.at(0.0)
    assert falls_due(of) == Due(START_AT, "date")
    told = alarm(of, Kind.CALIBRATION_DUE)
    assert told is not None
    assert "which lies ahead" in told.text
    assert "Doses go on by it" in told.text
    of = story((0.9, 100.0))
    assert falls_due(of.at(0.0)).why == "age", "a clock that was put back by some hours"


# -- what is told --------------------------------------------------------------------------------------------


def test_it_is_told_two_weeks_ahead_and_until_it_is_done() -> None:
    of = story((0.0, 100.0))
    calibrated(of.at(8 * DAY_S), 100.0)  # the second look
    assert alarm(of.at((98 - 14) * DAY_S - 1), Kind.CALIBRATION_DUE) is None
    soon = alarm(of.at((98 - 14) * DAY_S), Kind.CALIBRATION_DUE)
    assert soon is not None
    assert (soon.channel, soon.next_step, day_of(soon.since)) == ("alk", "dosingd calibrate alk", 84.0)
    assert "falls due on 2026-09-07 by its age" in soon.text
    late = alarm(of.at(120 * DAY_S), Kind.CALIBRATION_DUE)
    assert late is not None
    assert "fell due on 2026-09-07" in late.text
    calibrated(of, 100.0)
    assert alarm(of, Kind.CALIBRATION_DUE) is None


def test_a_fast_drift_is_told_after_half_of_its_time_and_with_its_rate() -> None:
    of = story((0.0, 100.0), (7.0, 97.0))
    assert alarm(of, Kind.CALIBRATION_DUE) is None
    told = alarm(of.at(13 * DAY_S), Kind.CALIBRATION_DUE)
    assert told is not None
    assert "-3.1 % a week" in told.text


def test_one_calibration_tells_no_drift_so_a_second_is_asked_for() -> None:
    of = story((0.0, 100.0))
    seconds = SECOND_LOOK_AFTER.total_seconds()
    assert alarm(of.at(seconds - 1), Kind.CALIBRATION_DUE) is None
    told = alarm(of.at(seconds), Kind.CALIBRATION_DUE)
    assert told is not None
    assert "calibrated once" in told.text
    bench = Story(PLAN, calibrated=False)
    calibrated(bench, source="bench")
    assert alarm(bench.at(seconds + DAY_S), Kind.CALIBRATION_DUE) is None


def test_a_set_that_waits_for_a_second_one_is_told() -> None:
    of = story((0.0, 100.0))
    of.tell(CalibrationDoubted("alk", 120.0, 0.0, ((10.0, 1200.0),), "declared", head_of(ALK), "20 % off the last"))
    told = alarm(of, Kind.CALIBRATION_DUE)
    assert told is not None
    assert told.text == "alk: 20 % off the last"


def test_a_channel_without_a_calibration_says_why_it_does_not_dose() -> None:
    of = Story(PLAN, calibrated=False)
    never = alarm(of, Kind.NO_CALIBRATION)
    assert never is not None
    assert never.text.startswith("alk: it does not dose, because it was never calibrated. ")
    calibrated(of)
    assert alarm(of, Kind.NO_CALIBRATION) is None
    of.plan = plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)))
    moved = alarm(of, Kind.NO_CALIBRATION)
    assert moved is not None
    assert "its calibration is of another gpio, speed" in moved.text
    of.tell(plan_loaded(of.plan, EPOCH_AT))
    ended = alarm(of, Kind.NO_CALIBRATION)
    assert ended is not None
    assert "ended when the plan named another gpio" in ended.text
    of.tell(CalibrationDoubted("alk", 1, 0, (), "declared", head_of(of.plan.channels["alk"]), "far off"))
    doubted = alarm(of, Kind.NO_CALIBRATION)
    assert doubted is not None
    assert "wait for a second set that agrees" in doubted.text
    of.plan = PLAN
    of.at(3600.0).tell(Retubed("alk"))
    tubed = alarm(of.at(7200.0), Kind.NO_CALIBRATION)
    assert tubed is not None
    assert "its head tubing is new" in tubed.text
    assert tubed.since == START_AT + timedelta(hours=1)


# -- the swap check ------------------------------------------------------------------------------------------


def real(of: Plan) -> Story:
    told = Story(of)
    told.books.ledger = LedgerMade("real", bench=False)
    return told


BOTH = plan(ALK, evolve(channel("ca", "chloride"), pump=evolve(ALK.pump, gpio=27)))


def test_on_real_pins_the_swap_check_is_due_until_it_was_passed_on_these_lines() -> None:
    of = real(BOTH)
    told = alarm(of, Kind.IDENTIFY_DUE)
    assert told is not None
    assert (told.channel, told.next_step) == (None, "dosingd identify")
    assert told.text.startswith("alk, ca: ")
    of.tell(Identified({"alk": 17, "ca": 27}))
    assert alarm(of, Kind.IDENTIFY_DUE) is None
    of.plan = plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)), BOTH.channels["ca"])
    moved = alarm(of, Kind.IDENTIFY_DUE)
    assert moved is not None
    assert moved.text.startswith("alk: ")


def test_a_bench_and_a_rig_of_one_pump_have_nothing_to_swap() -> None:
    assert findings(BOTH, Story(BOTH).books, START_AT) == []
    assert alarm(real(PLAN), Kind.IDENTIFY_DUE) is None
