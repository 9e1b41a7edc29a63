"""What ends a calibration for good, and what the next one on the same tubing is held against."""

from __future__ import annotations

from typing import Any

import pytest
from attrs import evolve

from dosingd.acceptance import Measured, Verdict, judged, verdict_data
from dosingd.flows import bench_calibration, calibrations_of, flow_of, head_of, valid_calibration
from dosingd.limits import plan_loaded
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, PlanLoaded, Retubed
from dosingd.tubing import CALIBRATIONS_KEPT
from dosingd.upkeep import why_none
from tests.builders import ALK, CA, EPOCH_AT, Story, plan
from tests.calibration.test_acceptance import doubt, runs
from tests.calibration.test_flows import MOVED, pumped

PLAN = plan()
#: Of the changes of a head, those after which the same tubing still gives what it gave.
SAME_FLOW = sorted(set(MOVED) - {"another speed"})


def in_force(of: Story, now: Plan) -> None:
    of.plan = now
    of.tell(plan_loaded(now, EPOCH_AT))


def tried(of: Story, flow: float, **more: Any) -> Verdict:
    """Runs with this flow, judged and booked."""
    said = judged(of.plan, of.books, "alk", Measured(runs(flow, **more), "declared"))
    if said.event is not None:
        of.tell(said.event)
    return said


# -- what ends it --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", MOVED)
def test_a_plan_that_names_another_head_ends_a_calibration_for_good(change: str) -> None:
    of = Story(PLAN)
    assert tried(of, 98.0).accepted
    in_force(of, plan(MOVED[change]))
    in_force(of, PLAN)
    assert valid_calibration(PLAN, of.books, "alk") is None
    assert tried(of, 98.0).accepted
    assert flow_of(PLAN, of.books, "alk").ul_per_s == pytest.approx(98.0, rel=0.01)


def test_a_plan_that_was_never_in_force_ends_nothing() -> None:
    of = Story(PLAN)
    of.plan = plan(MOVED["another line"])
    assert valid_calibration(of.plan, of.books, "alk") is None
    assert valid_calibration(PLAN, of.books, "alk") is not None


def test_another_channel_s_head_ends_nothing_and_a_channel_that_left_the_plan_comes_back_with_its_own() -> None:
    of = Story(PLAN)
    in_force(of, plan(ALK, evolve(CA, pump=evolve(CA.pump, gpio=22))))
    in_force(of, PLAN)
    assert valid_calibration(PLAN, of.books, "alk") is not None
    assert valid_calibration(PLAN, of.books, "ca") is None
    in_force(of, plan(CA))
    in_force(of, PLAN)
    assert valid_calibration(PLAN, of.books, "alk") is not None, "it is the same head on the same tubing"
    in_force(of, plan(CA))
    in_force(of, plan(evolve(ALK, pump=evolve(ALK.pump, gpio=24)), CA))
    assert valid_calibration(PLAN, of.books, "alk") is None, "and on another line it is not"


def test_a_calibration_of_another_head_ends_the_former_as_well() -> None:
    # Without a daemon a plan is calibrated by that was never brought into force.
    of = Story(PLAN)
    of.plan = plan(MOVED["another line"])
    assert tried(of, 110.0).accepted
    assert valid_calibration(PLAN, of.books, "alk") is None
    assert len(calibrations_of(of.plan, of.books, "alk")) == 1


def test_a_plan_s_row_of_before_it_named_heads_ends_nothing() -> None:
    of = Story(PLAN)
    moved = plan_loaded(plan(MOVED["another line"]), EPOCH_AT)
    of.tell(PlanLoaded(moved.sha256, moved.rig, moved.timezone, moved.channels, moved.zone_from_at))
    assert valid_calibration(PLAN, of.books, "alk") is not None
    assert of.books.contents == {}


def test_a_calibration_s_row_of_before_it_named_its_head_ends_with_the_plan_it_was_made_under() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0))
    in_force(of, PLAN)  # an upgrade: the same file, and now its row names heads
    assert flow_of(PLAN, of.books, "alk").ul_per_s == 98.0
    in_force(of, evolve(plan(evolve(ALK, doses=12)), sha256="11" * 32))
    assert flow_of(of.plan, of.books, "alk").ul_per_s == 98.0, "the row of that plan named the head, and it is the same"
    in_force(of, evolve(plan(MOVED["another line"]), sha256="22" * 32))
    in_force(of, PLAN)
    assert valid_calibration(PLAN, of.books, "alk") is None
    assert "ended when the plan named another gpio" in why_none(of.books, "alk")


def test_a_calibration_s_row_that_names_no_head_ends_with_any_change_and_the_true_reason_is_told() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0))
    in_force(of, evolve(plan(evolve(ALK, doses=12)), sha256="11" * 32))
    assert valid_calibration(of.plan, of.books, "alk") is None
    assert "was booked by an older version" in why_none(of.books, "alk")
    of.tell(bench_calibration(ALK))
    assert valid_calibration(of.plan, of.books, "alk") is not None


def test_before_such_a_plan_is_in_force_the_reason_is_true_as_well() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0))  # and nothing has ended it yet: the rig waits for the plan to be confirmed
    assert "was booked by an older version" in why_none(of.books, "alk")


def test_what_waits_for_a_second_set_ends_with_its_head() -> None:
    of = Story(PLAN)
    tried(of, 120.0)
    in_force(of, evolve(plan(evolve(ALK, doses=12)), sha256="11" * 32))
    assert doubt(of) is not None
    in_force(of, plan(MOVED["another line"]))
    assert doubt(of) is None


def test_no_more_calibrations_are_kept_at_hand_than_a_drift_needs() -> None:
    of = Story(PLAN)
    for step in range(2 * CALIBRATIONS_KEPT):
        of.tell(Calibrated("alk", 100.0 + step, head=head_of(ALK)))
    assert [one.event.flow_ul_per_s for one in of.books.tubing_of("alk").holding] == [108.0 + n for n in range(8)]
    assert len(of.books.tubing_of("alk").accepted) == 1


# -- what the next one is held against -----------------------------------------------------------------------


@pytest.mark.parametrize("change", SAME_FLOW)
def test_another_head_on_the_same_tubing_is_held_against_the_last_flow(change: str) -> None:
    of = Story(PLAN)
    assert tried(of, 100.0).accepted
    in_force(of, plan(MOVED[change]))
    said = tried(of, 120.0)
    assert (said.code, said.accepted) == ("second-set", False)
    assert said.reason is not None
    assert "+20 % off the last calibration on this tubing" in said.reason
    assert "It does not dose until a second set of runs agrees" in said.reason
    assert tried(of, 121.0).accepted
    in_force(of, PLAN)
    assert tried(of, 100.0).code == "second-set", "the newest of this tubing counts, whatever its head was"


def test_while_a_calibration_holds_doses_go_on_by_it() -> None:
    said = tried(Story(PLAN), 120.0)
    assert said.reason is not None
    assert "Doses go on by the last one until a second set" in said.reason


def test_at_another_speed_nothing_is_held_against_it_and_back_again_the_former_flow_is() -> None:
    of = Story(PLAN)
    assert tried(of, 100.0).accepted
    in_force(of, plan(MOVED["another speed"]))
    assert tried(of, 40.0).accepted  # 60 % of the speed, and less than that of the flow
    in_force(of, plan(pumped(speed=1.0)))  # full speed is full speed, named or not
    assert tried(of, 120.0).code == "second-set"
    assert tried(of, 101.0).accepted


def test_a_flow_of_a_row_that_names_no_head_is_held_against_any() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 100.0))
    in_force(of, evolve(plan(MOVED["another speed"]), sha256="11" * 32))
    assert tried(of, 60.0).code == "second-set"


# -- a first one that is strange -----------------------------------------------------------------------------


def test_a_first_flow_far_off_the_nominal_one_gets_a_caution() -> None:
    for flow, far in ((74.0, True), (76.0, False), (124.0, False), (126.0, True), (190.0, True)):
        said = tried(Story(PLAN, calibrated=False), flow)
        assert said.accepted
        assert bool(said.cautions) is far, flow
    data = verdict_data(said, Measured(runs(190.0), "declared"))
    [caution] = data["cautions"]
    assert "+90 % off the pump's nominal flow, 6.00 mL/min" in caution
    assert "dosingd calibrate alk" in caution


def test_a_first_flow_far_off_that_of_the_tubing_before_gets_a_caution() -> None:
    for flow, far in ((84.0, True), (86.0, False), (114.0, False), (116.0, True)):
        of = Story(PLAN)
        of.tell(Retubed("alk"))
        of.tell(Retubed("alk"))  # booked twice: nothing was calibrated on the one between
        said = tried(of, flow)
        assert said.accepted
        assert [("that of the tubing before, 6.00 mL/min" in each) for each in said.cautions] == [True] * far, flow


def test_a_first_flow_far_off_its_share_of_speed_gets_a_caution() -> None:
    of = Story(PLAN)
    assert tried(of, 112.0).accepted
    in_force(of, plan(MOVED["another speed"]))
    said = tried(of, 47.0)  # 60 % of 112 are 67.2; of the nominal 100 they are 60
    assert said.accepted
    assert [each.split(" off ")[1].split(",")[0] for each in said.cautions] == [
        "the last calibration on this tubing at its share of speed"
    ]


def test_what_agrees_with_something_on_the_tubing_gets_none() -> None:
    of = Story(PLAN, calibrated=False)
    assert tried(of, 140.0).cautions
    assert tried(of, 141.0).cautions == ()
