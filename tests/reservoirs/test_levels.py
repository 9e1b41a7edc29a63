"""A level that is not what the books say: found otherwise at a refill, or more than the plan's reservoir holds.

A level is taken as read to 1 % of the filling, two of them to twice as much: 20 mL of 1 L. Both may be off the
other way, and a healthy rig is told of nothing.
"""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd.alarms import Alarm, Kind
from dosingd.gate import Allowed, Refused, ask
from dosingd.limits import plan_loaded
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, Outcome, PlanLoaded
from dosingd.refills import Refill, refilled
from dosingd.requests import Refill as RefillRequest
from dosingd.requests import Reload
from dosingd.stores import is_low, uncertainty_ul
from tests.builders import ALK, EPOCH_AT, Story, plan, request
from tests.daemon.manned import Manned
from tests.reservoirs.test_refills import PLAN, draw, messages, said, story
from tests.reservoirs.test_stores import standing


def the_alarm(of: Story) -> Alarm | None:
    found = standing(of, Kind.LEVEL_DIFFERS)
    assert len(found) <= 1
    return found[0] if found else None


# -- found otherwise -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("drawn_ul", [0, 100_000, 200_000])
def test_beyond_both_readings_and_the_pump_s_tolerance_a_level_raises_an_alarm(drawn_ul: int, way: int) -> None:
    # Two readings of 900 mL, and 5 % of what was pumped.
    most_ul = 18_000 + drawn_ul // 20
    for beyond_ul in (0, 1):
        of = Story(PLAN)
        of.tell(refilled(PLAN, of.books, Refill("alk", 900_000)))
        if drawn_ul:
            draw(of, drawn_ul)
        gap_ul = way * (most_ul + beyond_ul)
        data = said(of, 1_000_000, found_ul=900_000 - drawn_ul - gap_ul)
        assert (the_alarm(of) is not None) is bool(beyond_ul), gap_ul
        assert data["level_differs_ml"] == (-gap_ul / 1000 if beyond_ul else None)
        assert standing(of, Kind.FLOW_ERROR) == []


def test_what_is_missing_is_told_with_its_figures_and_the_next_step() -> None:
    of = story()
    draw(of, 200_000)
    text = messages(of, 1_000_000, found_ul=700_000)
    alarm = the_alarm(of)
    assert alarm is not None
    assert alarm.text.startswith(
        "alk: 700.0 mL were found, 100.0 mL less than by the books, of which at most 10.00 mL can be the pump's and"
        " 20.00 mL a misread level. A siphon, a leak, a spill or a mistyped figure?"
    )
    assert alarm.text.endswith("Test the water before it doses on.")
    assert alarm.next_step == "measure the level, and say it twice: dosingd refill alk --to V --found V"
    assert text.startswith(alarm.text.partition(" A siphon")[0])
    assert text.endswith(f" It ends when a level is found that agrees with the books. Next: {alarm.next_step}")


def test_what_is_there_beyond_the_books_asks_whether_the_pump_ran() -> None:
    of = story()
    draw(of, 200_000)
    text = messages(of, 1_000_000, found_ul=990_000)
    alarm = the_alarm(of)
    assert alarm is not None
    assert "990.0 mL were found, 190.0 mL more than by the books, of which at most 10.00 mL" in alarm.text
    assert "A cut-off that tripped, a pump without its supply, a top-up that was not booked" in text
    for told in (text, alarm.text):
        assert "Did the pump run?" in told
        assert "may be missing in the tank" in told


def test_more_found_than_was_filled_in_may_be_water_of_the_tank() -> None:
    of = Story(PLAN)
    of.tell(refilled(PLAN, of.books, Refill("alk", 600_000)))
    draw(of, 300_000)
    text = messages(of, 900_000, found_ul=700_000)
    alarm = the_alarm(of)
    assert alarm is not None
    assert "more than it was filled to: water of the tank came back" in text
    assert "If water of the tank came back, the stock is thinner than its books." in alarm.text
    assert alarm.next_step == 'dosingd refill alk --to V --found "0 mL"'


@pytest.mark.parametrize(("error", "kind"), [
    (-0.49, Kind.FLOW_ERROR), (0.25, Kind.FLOW_ERROR), (-0.55, Kind.LEVEL_DIFFERS), (-1.0, Kind.LEVEL_DIFFERS),
])  # fmt: skip
def test_what_a_pump_can_be_off_by_is_the_flow_s_and_the_rest_is_not(error: float, kind: Kind) -> None:
    of = story()
    draw(of, 700_000)
    data = said(of, 1_000_000, found_ul=round(1_000_000 - 700_000 * (1 + error)))
    assert data["flow_error_percent"] == pytest.approx(error * 100)
    kinds = {Kind.FLOW_ERROR, Kind.LEVEL_DIFFERS}
    assert {each for each in kinds if standing(of, each)} == {kind}


def test_more_gone_than_the_pump_could_give_at_twice_its_flow_is_no_flow() -> None:
    of = story()
    draw(of, 450_000)
    said(of, 1_000_000, found_ul=80_000)
    assert the_alarm(of) is None, "470 mL too much: 450 of the pump's, and two readings of a level"
    draw(of, 450_000)
    said(of, 1_000_000, found_ul=79_000)
    assert the_alarm(of) is not None


def test_it_stands_until_a_level_is_found_that_agrees() -> None:
    of = story()
    said(of, 1_000_000, found_ul=900_000)
    assert the_alarm(of) is not None
    draw(of, 200_000)
    said(of, 1_000_000)
    assert the_alarm(of) is not None, "nobody looked"
    of.tell(Calibrated("alk", 100.0))
    assert the_alarm(of) is not None, "a calibration is no level"
    said(of, 1_000_000, found_ul=995_000)
    assert the_alarm(of) is None


def test_what_was_booked_for_a_run_nobody_saw_may_still_be_there() -> None:
    of = story()
    draw(of, 50_000, Outcome.UNKNOWN)
    said(of, 1_000_000, found_ul=1_000_000)
    assert the_alarm(of) is None
    draw(of, 50_000, Outcome.UNKNOWN)
    said(of, 1_000_000, found_ul=929_000)
    assert the_alarm(of) is not None, "but not that more is gone than was booked at most"


def test_a_calibration_in_between_leaves_as_much_open_as_one_may_differ_from_the_last() -> None:
    for gap_ul, alarmed in ((50_000, False), (50_001, True)):
        of = story()
        draw(of, 200_000)
        of.tell(Calibrated("alk", 95.0))
        said(of, 1_000_000, found_ul=800_000 - gap_ul)
        assert (the_alarm(of) is not None) is alarmed, "15 % of 200 mL and 20 mL"


def test_a_little_in_a_large_reservoir_is_not_read_to_a_hundredth_of_it() -> None:
    of = Story(PLAN)
    of.tell(refilled(PLAN, of.books, Refill("alk", 100_000)))
    said(of, 1_000_000, found_ul=90_000)
    assert the_alarm(of) is None, "5 mL a reading, at the least"
    of = Story(PLAN)
    of.tell(refilled(PLAN, of.books, Refill("alk", 100_000)))
    said(of, 1_000_000, found_ul=89_000)
    assert the_alarm(of) is not None


def test_a_flow_that_is_off_says_what_else_it_may_be_by_the_way_it_is_off() -> None:
    for error, words in ((0.1, "a leak or a siphon"), (-0.1, "its cut-off tripped")):
        of = story()
        draw(of, 700_000)
        assert words in messages(of, 1_000_000, found_ul=round(1_000_000 - 700_000 * (1 + error)))


# -- more than it holds --------------------------------------------------------------------------------------


def smaller(holds_ul: int, reserve_ul: int = 50_000) -> Plan:
    item = evolve(PLAN.channels["alk"], reservoir=evolve(ALK.reservoir, holds_ul=holds_ul, reserve_ul=reserve_ul))
    return evolve(PLAN, channels={**PLAN.channels, "alk": item}, sha256="22" * 32)


def in_force(of: Story, now: Plan) -> None:
    of.plan = now
    of.tell(plan_loaded(now, EPOCH_AT))


def test_of_a_smaller_reservoir_no_more_is_left_than_it_holds_and_perhaps_nothing() -> None:
    of = story()
    draw(of, 100_000)
    in_force(of, smaller(500_000))
    assert of.books.contents["alk"].left_ul == 500_000
    assert uncertainty_ul(of.plan, of.books, "alk") == 500_000
    assert is_low(of.plan, of.books, "alk"), "although 450 mL are enough for 18 days"
    [low] = standing(of, Kind.RESERVOIR_LOW)
    assert low.text == "alk: at most 500 mL left, enough for 18.8 days, and perhaps none."
    alarm = the_alarm(of)
    assert alarm is not None
    assert "by the books 900.0 mL were in its reservoir, and by the plan it holds 500.0 mL" in alarm.text
    assert "its level is not known" in alarm.text


def test_the_books_of_a_smaller_reservoir_go_on_from_what_it_holds_down_to_its_reserve() -> None:
    of = story()
    in_force(of, smaller(60_000))
    draw(of, 8_000)
    assert of.books.contents["alk"].left_ul == 52_000
    assert isinstance(ask(of.plan, of.books, request(volume_ul=1_000), of.now, trusted=True), Allowed)
    draw(of, 1_500)
    assert isinstance(ask(of.plan, of.books, request(volume_ul=1_000), of.now, trusted=True), Refused)


def test_a_larger_plan_gives_nothing_back() -> None:
    of = story()
    in_force(of, smaller(500_000))
    in_force(of, PLAN)
    assert of.books.contents["alk"].left_ul == 500_000
    assert the_alarm(of) is not None


def test_a_level_that_was_measured_ends_it_and_is_held_against_nothing() -> None:
    of = story()
    draw(of, 100_000)
    in_force(of, smaller(500_000))
    draw(of, 50_000)
    data = said(of, 300_000, found_ul=300_000)
    assert (data["flow_error_percent"], data["level_differs_ml"]) == (None, None)
    assert "became smaller" in data["flow_error_unknown"]
    assert the_alarm(of) is None
    assert uncertainty_ul(of.plan, of.books, "alk") == 0
    of = story()
    in_force(of, smaller(500_000))
    said(of, 500_000)
    assert the_alarm(of) is None, "filled to the brim it is known as well"


def test_what_fits_into_a_smaller_one_is_believed() -> None:
    of = story()
    draw(of, 500_000)
    in_force(of, smaller(500_000))
    assert of.books.contents["alk"].left_ul == 500_000
    assert the_alarm(of) is None


def test_a_row_of_before_it_said_what_a_reservoir_holds_changes_nothing() -> None:
    of = story()
    row = plan_loaded(smaller(500_000), EPOCH_AT)
    of.tell(PlanLoaded(row.sha256, row.rig, row.timezone, row.channels, row.zone_from_at))
    assert of.books.contents["alk"].left_ul == 1_000_000


def test_a_reload_that_makes_it_smaller_says_so() -> None:
    with Manned(plan(ALK)) as of:
        of.ask(RefillRequest("alk", 900_000))
        of.file = evolve(plan(evolve(ALK, reservoir=evolve(ALK.reservoir, holds_ul=500_000))), sha256="33" * 32)
        [told] = of.ask(Reload()).messages
        assert told.startswith("alk: by the books 900.0 mL were in its reservoir, and by the plan it holds 500.0 mL.")
        assert "dosingd refill alk --to V --found V" in told
        assert of.state().channels["alk"].reservoir.left_ul == 500_000
        assert of.state().channels["alk"].reservoir.low is True
