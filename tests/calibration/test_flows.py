"""Which calibration holds: of this head, on this tubing; without one nothing goes into the tank."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from attrs import evolve

from dosingd import gate
from dosingd.flows import bench_calibration, flow_of, head_of, valid_calibration
from dosingd.gate import Allowed, Reason, Refused
from dosingd.limits import plan_loaded
from dosingd.plan.model import Channel, Plan, Pump
from dosingd.records import Calibrated, Into, Outcome, Purpose, Reserved, Retubed, Settled
from dosingd.recovery import booked_after_loss
from dosingd.stores import against_books
from dosingd.upkeep import findings
from tests.builders import ALK, EPOCH_AT, START_AT, Rig, Story, plan, reading, request, scheduled

PLAN = plan()


def pumped(**changes: Any) -> Channel:
    return evolve(ALK, pump=evolve(ALK.pump, **changes))


MOVED = {
    "another line": pumped(gpio=22),
    "another speed": pumped(speed=0.6),
    "another nominal flow": pumped(nominal_ul_per_s=101.0),
    "other tubing": evolve(ALK, line_ul=5_000),
}


@pytest.mark.parametrize("change", MOVED)
def test_a_calibration_is_of_one_head_and_ends_when_the_plan_names_another(change: str) -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0, head=head_of(ALK)))
    assert flow_of(PLAN, of.books, "alk").ul_per_s == 98.0
    moved = plan(MOVED[change])
    of.tell(plan_loaded(moved, EPOCH_AT))
    assert valid_calibration(moved, of.books, "alk") is None
    assert flow_of(moved, of.books, "alk").ul_per_s == MOVED[change].pump.nominal_ul_per_s


@pytest.mark.parametrize("more", [{"doses": 12}, {"stock": "soda"}, {"pump": Pump(17, 100.0, 500)}])
def test_whatever_else_of_the_plan_changes_ends_nothing(more: dict[str, Any]) -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0, head=head_of(ALK)))
    other = evolve(plan(evolve(ALK, **more)), sha256="11" * 32)
    of.tell(plan_loaded(other, EPOCH_AT))
    assert flow_of(other, of.books, "alk").ul_per_s == 98.0


def test_new_tubing_ends_a_calibration_of_its_own_channel_alone() -> None:
    of = Story(PLAN)
    of.tell(Retubed("alk"))
    assert valid_calibration(PLAN, of.books, "alk") is None
    assert valid_calibration(PLAN, of.books, "ca") is not None
    of.tell(bench_calibration(ALK))
    assert valid_calibration(PLAN, of.books, "alk") is not None


def test_a_row_of_an_older_version_holds_for_the_plan_that_was_in_force_to_the_byte() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 98.0))  # it names no head
    assert flow_of(PLAN, of.books, "alk").ul_per_s == 98.0
    edited = evolve(PLAN, sha256="11" * 32)
    of.tell(plan_loaded(edited, EPOCH_AT))
    assert valid_calibration(edited, of.books, "alk") is None
    before_any_plan = Story(PLAN, calibrated=False)
    before_any_plan.books.plan = None
    before_any_plan.tell(Calibrated("alk", 98.0))
    assert valid_calibration(PLAN, before_any_plan.books, "alk") is None


def test_a_channel_that_is_not_in_the_plan_has_none() -> None:
    assert valid_calibration(PLAN, Story(PLAN).books, "mg") is None


# -- the gate ------------------------------------------------------------------------------------------------

ASKED = {
    "scheduled": scheduled(),
    "by hand": request(),
    "prime": request(purpose=Purpose.PRIME),
    "test run": request(purpose=Purpose.CALIBRATION),
}


def asked(of: Story, name: str, *, into: Into = Into.TANK) -> Allowed | Refused:
    return gate.ask(of.plan, of.books, evolve(ASKED[name], into=into), of.now, trusted=True)


@pytest.mark.parametrize("name", ASKED)
def test_without_a_calibration_nothing_goes_into_the_tank(name: str) -> None:
    no = asked(Story(PLAN, calibrated=False), name)
    assert isinstance(no, Refused)
    assert (no.reason, no.fits_in_s) == (Reason.CALIBRATION, None)
    assert "dosingd calibrate alk" in no.text
    assert isinstance(asked(Story(PLAN), name), Allowed)


@pytest.mark.parametrize("name", ["prime", "test run"])
def test_into_a_cup_it_runs_by_its_nominal_flow(name: str) -> None:
    yes = asked(Story(PLAN, calibrated=False), name, into=Into.CUP)
    assert isinstance(yes, Allowed)
    assert (yes.run_s, yes.reserved.nominal_ul_per_s) == (10.0, 100.0)


def test_an_ended_calibration_times_no_run_any_more() -> None:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 50.0, head=head_of(ALK)))
    of.tell(Retubed("alk"))
    yes = asked(of, "test run", into=Into.CUP)
    assert isinstance(yes, Allowed)
    assert yes.run_s == 10.0


def test_a_rig_without_calibrations_gives_nothing_and_says_so_and_doses_again_once_it_has_them() -> None:
    rig = Rig(plan(ALK), calibrated=False).start()
    rig.live(3 * 3600.0)
    assert rig.spans["alk"] == []
    account = rig.books.account(date(2026, 6, 1), "alk")
    assert (account.given, account.refused) == (0, 3)
    rig.account.write(bench_calibration(ALK), rig.clock.now())
    rig.rounds.lay_anew()
    rig.live(2 * 3600.0)
    assert rig.books.account(date(2026, 6, 1), "alk").given == 2


# -- R1: what a run gives beyond flow * time -----------------------------------------------------------------


def lost(lag_ul: float, asked_ul: int = 1_000) -> tuple[Reserved, Settled, Settled]:
    """A dose by a calibration with this lag; booked as lost in the same boot 20 s later, and after a reboot."""
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", 100.0, lag_ul, head=head_of(ALK)))
    allowed = gate.ask(PLAN, of.books, request(volume_ul=asked_ul), of.now, trusted=True)
    assert isinstance(allowed, Allowed)
    row = of.tell(allowed.reserved)
    same = booked_after_loss(row, reading(20.0), row)
    other = booked_after_loss(row, reading(20.0, boot="boot-2"), row)
    assert same.outcome is other.outcome is Outcome.UNKNOWN
    return allowed.reserved, same, other


def test_a_lost_run_counts_the_lag_that_a_start_gives() -> None:
    without, with_lag = lost(0.0), lost(40.0)
    assert with_lag[0].lag_ul == 40.0
    assert without[1].given_ul == 2_000
    assert with_lag[1].given_ul == 2_040
    # After a reboot: 90 s beyond the lease, and the lag. The run is 0.4 s shorter, because the lag gives its part.
    assert without[2].given_ul == (10_500 + 90_000) / 10
    assert with_lag[2].given_ul == (10_100 + 90_000) / 10 + 40


def test_a_lag_below_nothing_is_not_counted_on() -> None:
    reserved, same, _ = lost(-40.0)
    assert reserved.lag_ul == 0.0
    assert same.given_ul == 2_000


# -- a lag and the doses of a plan ---------------------------------------------------------------------------


def by_lag(lag_ul: float, volume_ul: int = 1_000, *, into: Into = Into.TANK, flow: float = 100.0) -> Allowed | Refused:
    of = Story(PLAN, calibrated=False)
    of.tell(Calibrated("alk", flow, lag_ul, head=head_of(ALK)))
    purpose = Purpose.CALIBRATION if into is Into.CUP else Purpose.MANUAL
    asked_for = request(volume_ul=volume_ul, into=into, purpose=purpose)
    return gate.ask(PLAN, of.books, asked_for, of.now, trusted=True)


@pytest.mark.parametrize("lag", [501.0, -501.0, 2_000.0])
def test_a_dose_that_is_more_lag_than_flow_is_refused_with_the_least_that_is_not(lag: float) -> None:
    # A reload, or a dose by hand, may ask for less than the calibration was held against.
    no = by_lag(lag)
    assert isinstance(no, Refused)
    assert (no.reason, no.facts["least_ul"]) == (Reason.LAG, 2 * abs(lag))
    assert "more than half of it" in no.text
    assert "Nothing was pumped" in no.text
    assert "dosingd calibrate alk" in no.text


@pytest.mark.parametrize(("lag", "run_s"), [(500.0, 5.0), (-500.0, 15.0), (0.0, 10.0)])
def test_a_dose_that_is_half_lag_at_the_most_is_given(lag: float, run_s: float) -> None:
    yes = by_lag(lag)
    assert isinstance(yes, Allowed)
    assert yes.run_s == run_s


def test_into_a_cup_a_lag_is_measured_so_it_may_be_more_but_a_run_of_no_length_is_none() -> None:
    assert isinstance(by_lag(900.0, into=Into.CUP), Allowed)
    no = by_lag(1_000.0, into=Into.CUP)
    assert isinstance(no, Refused)
    assert no.reason is Reason.LAG
    quick = by_lag(0.0, 1, into=Into.CUP, flow=3_000.0)
    assert isinstance(quick, Refused)
    assert "thousandth of a second" in quick.text


@pytest.mark.parametrize(("lag", "booked"), [(-400.0, 401), (0.0, 401), (40.0, 441)])
def test_a_run_that_was_cut_off_is_booked_as_no_less_than_what_ran(lag: float, booked: int) -> None:
    rig = Rig(plan(ALK), calibrated=False)
    rig.account.write(Calibrated("alk", 100.0, lag, head=head_of(ALK)), rig.clock.now())
    rig.start()

    def cut_off(mono_s: float, interrupt: object = None) -> bool:
        rig.clock.pass_s(4.001)
        return True

    rig.clock.wait_until_mono_s = cut_off  # type: ignore[method-assign]
    before = rig.books.level("day:alk", rig.books.proven_ms(rig.clock.now()))
    result = rig.turn.run(request())
    assert (result.outcome, result.given_ul) == (Outcome.PARTIAL, booked)
    left = rig.books.level("day:alk", rig.books.proven_ms(rig.clock.now()))
    assert left <= before - booked + 2, "and its allowance is not given back"


def told_of_lag(now: Plan, of: Story) -> list[str]:
    """What a reload of this plan says of calibrations."""
    return [told for told in against_books(now, of.books) if "the lag of its calibration" in told]


def test_planned_doses_and_a_lag_that_do_not_go_together_are_told() -> None:
    of = Story(PLAN, calibrated=False)
    for name in PLAN.channels:
        of.tell(Calibrated(name, 100.0, 400.0, head=head_of(PLAN.channels[name])))
    assert told_of_lag(PLAN, of) == []
    more = plan(evolve(ALK, doses=48))
    [told] = told_of_lag(more, of)
    assert "the lag of its calibration, 0.400 mL, is more than 50 % of a planned dose, 0.500 mL" in told
    assert told.endswith("Next: dosingd calibrate alk")
    [finding] = [one for one in findings(more, of.books, START_AT) if one.channel == "alk"]
    assert (finding.kind, finding.next_step) == ("calibration-due", "dosingd calibrate alk")
    assert "so such doses are refused" in finding.text


def test_a_lag_that_smaller_doses_make_a_large_part_is_told_by_a_reload() -> None:
    of = Story(plan(ALK), calibrated=False)
    of.tell(Calibrated("alk", 100.0, 120.0, head=head_of(ALK), dose_ul=1_000))
    assert told_of_lag(plan(ALK), of) == []
    [told] = told_of_lag(plan(evolve(ALK, doses=48)), of)
    assert "0.120 mL, is 24 % of a planned dose, 0.500 mL; it was calibrated for doses of 1.00 mL" in told
    of.tell(Calibrated("alk", 100.0, 70.0, head=head_of(ALK), dose_ul=1_000))
    assert told_of_lag(plan(evolve(ALK, doses=48)), of) == []


def test_plans_of_these_tests_differ_in_the_head_alone() -> None:
    assert len({head_of(one) for one in (ALK, *MOVED.values())}) == 1 + len(MOVED)
    assert isinstance(PLAN, Plan)
