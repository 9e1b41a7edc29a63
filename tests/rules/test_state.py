"""The snapshot of the rig: every figure against one that is reckoned by hand."""

from __future__ import annotations

from datetime import timedelta

import pytest
from attrs import evolve

from dosingd.agenda import Due
from dosingd.alarms import Alarm, Kind
from dosingd.flows import bench_calibration
from dosingd.kept import LastDose
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import Calibrated, Held, Into, NotGiven, Outcome, Paused, Purpose, Refilled
from dosingd.reservoir import filled
from dosingd.state import ChannelState, RigState, allowance_ul, rig_state
from dosingd.statusdata import NO_DAEMON, status_data, status_data_without_plan
from dosingd.trust import Trust
from tests.builders import ALK, CA, START_AT, TODAY, Story, channel, limited, plan, reading

#: 24 mL a day of alkalinity in 24 doses; depths of the allowance 10 mL, 200 s (20 mL) and 10 meq (10 mL).
PLAN = plan(ALK, CA)
TRUSTED = Trust(True, "network", untrusted_since_mono_s=None)
BLIND = Trust(False, "none")


def state(of: Story, **more: object) -> RigState:
    return rig_state(of.plan, of.books, of.now, **{"trust": TRUSTED, **more})  # type: ignore[arg-type]


def alk(of: Story, **more: object) -> ChannelState:
    return state(of, **more).channels["alk"]


def due(name: str, seconds: float, volume_ul: int = 1_000) -> Due:
    return Due(name, volume_ul, 10.0, f"s{seconds}", START_AT + timedelta(seconds=seconds), TODAY)


# -- the day -------------------------------------------------------------------------------------------------


def test_what_was_planned_and_given_today() -> None:
    of = Story(PLAN).at(1800.0)
    of.settle(of.reserve("alk", 1_000, purpose=Purpose.SCHEDULED, slot="s1", day=TODAY, asked_umol=1_000.0))
    of.at(5400.0)
    partial = of.reserve("alk", 1_000, purpose=Purpose.SCHEDULED, slot="s2", day=TODAY, asked_umol=1_000.0)
    of.settle(partial, 400, Outcome.PARTIAL)
    of.settle(of.reserve("alk", 2_000, day=TODAY))  # by hand
    of.settle(of.reserve("alk", 700, into=Into.CUP))
    of.tell(NotGiven("alk", Outcome.MISSED, 1_000, "late", slot="s3", day=TODAY, asked_umol=1_000.0))
    one = alk(of)
    assert (one.given_today_ul, one.planned_today_ul) == (1_000 + 400 + 2_000, 24_000)
    other = state(of).channels["ca"]
    assert (other.given_today_ul, other.planned_today_ul) == (0, 24_000)  # 12,000 µmol of 0.5 mol/L


def test_tomorrow_it_begins_anew() -> None:
    of = Story(PLAN).at(1800.0)
    of.settle(of.reserve("alk", 1_000, purpose=Purpose.SCHEDULED, slot="s1", day=TODAY, asked_umol=1_000.0))
    assert alk(of.at(86_399.0)).given_today_ul == 1_000
    assert alk(of.at(86_400.0)).given_today_ul == 0


def test_doses_without_a_clock_count_in_the_day_they_were_given_in() -> None:
    of = Story(PLAN).at(3600.0)
    of.settle(of.reserve("alk", 1_000, purpose=Purpose.SCHEDULED, slot="u1"))
    assert alk(of.at(7200.0)).given_today_ul == 1_000
    assert alk(of.at(86_400.0 + 3_000.0)).given_today_ul == 0, "a day and 50 min later, of the day before"


def test_a_stronger_batch_shrinks_what_is_planned() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 900_000, None, "strong", {"alkalinity": 1.5}, 0))
    assert alk(of).planned_today_ul == 16_000


# -- allowance -----------------------------------------------------------------------------------------------


def level(of_plan: Plan, story: Story) -> int:
    return allowance_ul(of_plan, story.books, "alk", story.books.proven_ms(story.now))


def test_the_allowance_is_the_smallest_of_volume_motor_time_and_change() -> None:
    assert level(PLAN, Story(PLAN)) == 10_000
    tight_run = plan(limited(ALK, run_s=80.0), CA)  # 20 s at 100 µL/s, and one µL for rounding up
    assert level(tight_run, Story(tight_run)) == 1_999
    tight_rise = plan(limited(ALK, rise_umol=12_000.0), CA)  # 3,000 µeq at 1 µeq/µL
    assert level(tight_rise, Story(tight_rise)) == 3_000
    tight_day = plan(limited(ALK, day_ul=8_000), CA)
    assert level(tight_day, Story(tight_day)) == 2_000


def test_what_is_reserved_is_gone_and_time_earns_it_back() -> None:
    of = Story(PLAN)
    row = of.reserve("alk", 1_000, change={"alkalinity": 1_050})
    assert level(PLAN, of) == 8_950
    of.settle(row)
    assert level(PLAN, of) == 9_000
    of.at(870.0)  # 30,000 µL in 87,000 s
    assert level(PLAN, of) == 9_300


def test_a_stronger_stock_leaves_less_volume() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 900_000, None, "strong", {"alkalinity": 3.0}, 0))
    assert level(PLAN, of) == 3_333  # 10,000 µeq at 3 µeq/µL, rounded down


def test_the_motor_s_time_counts_at_the_calibrated_flow() -> None:
    of = Story(PLAN)
    of.tell(Calibrated("alk", 20.0))
    assert level(PLAN, of) == 3_999  # 200 s


def test_a_new_ledger_leaves_nothing_and_a_debt_is_nothing_too() -> None:
    assert level(PLAN, Story(PLAN, full=False)) == 0
    of = Story(PLAN)
    of.settle(of.reserve("alk", 1_000, change={"alkalinity": 1_050}), 30_000, Outcome.UNKNOWN)
    assert level(PLAN, of) == 0


# -- doses ---------------------------------------------------------------------------------------------------


def test_the_next_dose_is_the_channel_s_first_on_the_agenda() -> None:
    coming = [due("ca", 600.0), due("alk", 1800.0), due("alk", 5400.0)]
    assert alk(Story(PLAN), coming=coming).next_dose_at == START_AT + timedelta(minutes=30)
    assert alk(Story(PLAN)).next_dose_at is None


def test_the_next_dose_without_a_clock_is_told_by_the_clock_there_is() -> None:
    of = Story(PLAN).at(100.0)
    coming = [evolve(due("alk", 0.0), due_at=None, day=None, due_mono_s=700.0)]
    assert alk(of, coming=coming, trust=BLIND).next_dose_at == START_AT + timedelta(seconds=700)


def test_no_dose_comes_next_before_a_person_has_been_there() -> None:
    coming = [due("alk", 1800.0), due("ca", 600.0)]
    told = Story(PLAN, calibrated=False).at(0.0)
    told.tell(bench_calibration(CA))
    one = alk(told, coming=coming)
    assert (one.next_dose_at, one.waiting_for) == (None, "a calibration")
    assert state(told, coming=coming).channels["ca"].next_dose_at == START_AT + timedelta(minutes=10)
    data = status_data(state(told, coming=coming), running=True)["channels"]["alk"]
    assert (data["next_dose_at"], data["waiting_for"]) == (None, "a calibration")
    told.tell(Paused(told.books.proven_ms(told.now) + 600_000))
    assert alk(told, coming=coming).next_dose_at is None, "the pause ends by itself, and then it waits still"
    for event in (
        Refilled("alk", 40_000, None, "soda", {"alkalinity": 1.0}, 0),
        Refilled("alk", 900_000, None, "chloride", {"calcium": 0.5}, 0),
        Held("by hand"),
    ):
        of = Story(PLAN)
        assert alk(of, coming=coming).next_dose_at is not None
        of.tell(event)
        assert alk(of, coming=coming).next_dose_at is None, event
        assert alk(of, coming=coming).waiting_for is not None


def test_what_ends_by_itself_keeps_the_next_dose_in_view() -> None:
    coming = [due("alk", 1800.0)]
    still = Alarm(Kind.NO_CIRCULATION, None, START_AT, "no flow", "see to the pump")
    assert alk(Story(PLAN), coming=coming, more_alarms=(still,)).next_dose_at is not None


def test_the_last_dose_of_whatever_purpose_and_outcome() -> None:
    of = Story(PLAN).at(1800.0)
    of.settle(of.reserve("alk", 1_000, day=TODAY), 900, Outcome.PARTIAL)
    assert alk(of).last_dose == LastDose(
        START_AT + timedelta(minutes=30), Outcome.PARTIAL, 1_000, 900, "", Purpose.MANUAL
    )
    of.at(5400.0)
    of.tell(NotGiven("alk", Outcome.REFUSED, 1_000, "no", slot="s1", due_at=START_AT, day=TODAY))
    assert alk(of).last_dose == LastDose(START_AT, Outcome.REFUSED, 1_000, 0, "no", Purpose.SCHEDULED)


# -- what it waits for ---------------------------------------------------------------------------------------


def test_a_channel_waits_for_nothing_when_all_is_well() -> None:
    assert alk(Story(PLAN), coming=[due("alk", 1800.0)]).waiting_for is None


def test_a_day_that_is_spent_without_having_been_given_is_named() -> None:
    of = Story(PLAN)
    assert alk(of).waiting_for is None, "a day that was given whole waits for nothing"
    for outcome in (Outcome.MISSED, Outcome.REFUSED):
        of = Story(PLAN)
        of.tell(NotGiven("alk", outcome, 1_000, "no", slot="s1", due_at=START_AT, day=TODAY))
        assert alk(of).waiting_for == "the next dosing day: today's doses are spent"
        assert alk(of, coming=[due("alk", 1800.0)]).waiting_for is None
        assert alk(of, trust=BLIND).waiting_for == "a trusted clock"
        assert state(of).channels["ca"].waiting_for is None


def test_what_a_channel_waits_for_the_weightiest_first() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 50_500, None, "soda", {"alkalinity": 1.0}, 0))  # 0.5 mL above its reserve
    more: dict[str, object] = {}
    expected = ["a refill"]
    assert alk(of, **more).waiting_for == expected[-1]
    more["trust"] = BLIND
    assert alk(of, **more).waiting_for == "a trusted clock"
    assert alk(of, coming=[due("alk", 1800.0)], **more).waiting_for == "a refill", "it is dosed without the clock"
    more["cannot_lay"] = "no room"
    assert alk(of, **more).waiting_for == "a plan that can be laid"
    more["sessions"] = {"alk": 0.0}
    assert alk(of, **more).waiting_for == "end of the session by hand"
    assert state(of, **more).channels["ca"].waiting_for == "a plan that can be laid"
    of.tell(Paused(600_000, START_AT))
    assert alk(of, **more).waiting_for == "end of the pause"
    of.tell(Held("a leak."))
    assert alk(of, **more).waiting_for == "release"


def test_a_stock_without_what_the_channel_gives_is_waited_out() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 900_000, None, "chloride", {"calcium": 0.5}, 0))
    assert alk(of).waiting_for == "a refill with the plan's stock"
    assert alk(of).planned_today_ul == 0


# -- reservoir and calibration -------------------------------------------------------------------------------


def test_a_reservoir_s_books() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 242_000, None, "batch two", {"alkalinity": 1.0}, 0))
    one = alk(of).reservoir
    # (242 - 50 mL of reserve) / 24 mL a day
    assert (one.left_ul, one.days_left, one.low, one.stock) == (242_000, 8.0, False, "batch two")
    of.settle(of.reserve("alk", 5_000, into=Into.CUP))
    of.settle(of.reserve("alk", 19_001))
    one = alk(of).reservoir
    assert (one.left_ul, one.low) == (217_999, True)  # 6.99996 of 7 days
    assert one.days_left == pytest.approx(6.99996, abs=1e-5)


def test_a_reservoir_that_was_never_booked_is_unknown() -> None:
    one = alk(Story(PLAN)).reservoir
    assert (one.left_ul, one.days_left, one.low, one.stock) == (None, None, None, "soda")


def test_a_channel_that_is_never_dosed_lasts_for_ever() -> None:
    of = Story(plan(channel("alk", daily=DailyVolume(0), doses=1)))
    of.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": 1.0}, 0))
    assert (alk(of).reservoir.days_left, alk(of).reservoir.low) == (None, False)


def test_the_flow_is_the_nominal_one_until_it_is_calibrated() -> None:
    of = Story(PLAN, calibrated=False)
    one = alk(of).calibration
    assert (one.ul_per_s, one.at, one.runs, one.source) == (100.0, None, 0, "nominal")
    of.at(3600.0).tell(Calibrated("alk", 98.5, 3.0, ((60.0, 5_913.0), (60.0, 5_913.0), (30.0, 2_958.0)), "measured"))
    one = alk(of.at(7200.0)).calibration
    assert (one.ul_per_s, one.at, one.runs, one.source) == (98.5, START_AT + timedelta(hours=1), 3, "measured")


# -- the rig -------------------------------------------------------------------------------------------------


def test_a_pause_ends_by_proven_time_and_is_shown_by_the_clock() -> None:
    of = Story(PLAN).at(1000.0)
    of.tell(Paused(of.books.proven_ms(of.now) + 600_000, START_AT))
    assert state(of).paused_until_at == START_AT + timedelta(seconds=1600)
    of.at(1300.0, wall_s=4900.0)  # the clock was set an hour ahead
    assert state(of).paused_until_at == START_AT + timedelta(seconds=4900 + 300)
    assert state(of.at(1600.0)).paused_until_at is None


def test_a_hold_and_its_first_cause() -> None:
    of = Story(PLAN)
    for name in PLAN.channels:
        of.tell(filled(PLAN, name))
    assert (state(of).held, state(of).held_reason) == (False, None)
    of.tell(Held("a leak."))
    of.tell(Held("another"))
    assert (state(of).held, state(of).held_reason) == (True, "a leak; and besides: another")
    assert [alarm.kind for alarm in state(of).alarms] == [Kind.HELD]


def test_alarms_that_the_books_do_not_know_of_come_last() -> None:
    of = Story(PLAN)
    for name in PLAN.channels:
        of.tell(filled(PLAN, name))
    of.tell(Held("a leak."))
    own = Alarm(Kind.NO_LEDGER, None, START_AT, "no", "mend it")
    assert [alarm.kind for alarm in state(of, more_alarms=(own,)).alarms] == [Kind.HELD, Kind.NO_LEDGER]


def test_the_clock_is_unknown_where_nobody_watches_it() -> None:
    of = Story(PLAN)
    assert (state(of).clock_trusted, state(of).clock_source) == (True, "network")
    assert (state(of, trust=None).clock_trusted, state(of, trust=None).clock_source) == (None, None)


# -- for programs --------------------------------------------------------------------------------------------


def test_status_data_is_in_millilitres_and_the_plan_s_own_time() -> None:
    of = Story(plan(ALK, CA, zone="Europe/Lisbon"))
    of.at(1800.5)
    of.settle(of.reserve("alk", 1_000, day=TODAY))
    of.tell(Calibrated("alk", 90.0, 0.0, ((60.0, 5_400.0),), "declared"))
    data = status_data(state(of, coming=[due("alk", 5400.25)], version="0.1", started_at=START_AT), running=True)
    assert data["running"] is True
    assert data["clock"] == {"trusted": True, "wall": "2026-06-01T01:30:00+01:00", "source": "network"}
    assert (data["version"], data["started_at"]) == ("0.1", "2026-06-01T01:00:00+01:00")
    one = data["channels"]["alk"]
    assert one["next_dose_at"] == "2026-06-01T02:30:00.250+01:00"
    assert (one["given_today_ml"], one["planned_today_ml"], one["allowance_ml"]) == (1.0, 24.0, 9.0)
    assert one["last_dose"] == {
        "at": "2026-06-01T01:30:00.500+01:00",
        "outcome": "given",
        "asked_ul": 1_000,
        "given_ul": 1_000,
        "reason": None,
        "purpose": "manual",
    }
    assert one["waiting_for"] is None
    assert one["calibration"]["flow_ml_per_min"] == pytest.approx(5.4)
    assert (one["calibration"]["runs"], one["calibration"]["source"]) == (1, "declared")
    assert one["reservoir"] == {
        "left_ml": None,
        "days_left": None,
        "low": None,
        "stock": "soda",
        "batch": None,
        "uncertainty_ml": None,
    }


def test_without_a_daemon_every_channel_waits_for_one() -> None:
    of = Story(PLAN)
    data = status_data(rig_state(of.plan, of.books, of.now), running=False)
    assert data["running"] is False
    assert {one["waiting_for"] for one in data["channels"].values()} == {NO_DAEMON}
    assert (data["version"], data["started_at"], data["clock"]["trusted"]) == (None, None, None)
    of.tell(Held("a leak."))
    data = status_data(rig_state(of.plan, of.books, of.now), running=False)
    assert {one["waiting_for"] for one in data["channels"].values()} == {"release"}


def test_alarms_in_the_data_carry_their_next_step() -> None:
    of = Story(PLAN)
    for name in PLAN.channels:
        of.tell(filled(PLAN, name))
    of.tell(Held("a leak."))
    [alarm] = status_data(state(of), running=True)["alarms"]
    text = alarm.pop("text")
    assert text.startswith("All pumps are off: a leak. Nothing is dosed until a person releases the rig.")
    assert alarm == {
        "kind": "held",
        "channel": None,
        "since": "2026-06-01T00:00:00+00:00",
        "next_step": "dosingd release",
    }


def test_the_ledger_alone_knows_what_ran_and_not_what_is_planned() -> None:
    of = Story(PLAN).at(1800.0)
    of.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": 1.0}, 0))
    of.tell(Calibrated("alk", 90.0))
    of.settle(of.reserve("alk", 1_000, day=TODAY))
    of.settle(of.reserve("alk", 2_000, purpose=Purpose.SCHEDULED, slot="s1", day=TODAY, asked_umol=2_000.0))
    of.tell(Held("a leak."))
    data = status_data_without_plan(of.books, reading(1900.0))
    assert (data["running"], data["rig"], data["held"], data["held_reason"]) == (False, "demo", True, "a leak.")
    one = data["channels"]["alk"]
    assert (one["given_today_ml"], one["planned_today_ml"], one["allowance_ml"]) == (3.0, None, None)
    assert one["reservoir"]["left_ml"] == 897.0
    assert one["calibration"]["flow_ml_per_min"] == pytest.approx(5.4)
    assert one["waiting_for"] == NO_DAEMON
    whole = status_data(rig_state(of.plan, of.books, of.now), running=False)
    assert data.keys() == whole.keys()
    assert one.keys() == whole["channels"]["alk"].keys()


def test_an_empty_ledger_has_no_channels() -> None:
    from dosingd.books import Books

    data = status_data_without_plan(Books(), reading())
    assert (data["held"], data["rig"], data["channels"]) == (None, None, {})
