"""Into the tank goes only what plan and books agree on, and only into water that is known to move."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd import gate
from dosingd.gate import Allowed, Reason, Refused
from dosingd.plan.model import Plan
from dosingd.records import Into, NotGiven, Outcome, Purpose
from dosingd.refills import Refill, book, refilled
from dosingd.state import rig_state
from dosingd.turn import Turn
from tests.builders import ALK, CA, CHLORIDE, SODA, Rig, Story, plan, reading, request, scheduled
from tests.inputs.test_judging import with_inputs
from tests.reservoirs.test_refills import DOUBLE

STOCKS = (SODA, CHLORIDE, DOUBLE)
PLAN = plan(stocks=STOCKS)
OTHER = plan(evolve(ALK, stock="double"), CA, stocks=STOCKS)
FLOWS = with_inputs(circulation=True)


def filled(of: Plan = PLAN) -> Story:
    story = Story(of)
    for name in of.channels:
        story.tell(refilled(of, story.books, Refill(name, 1_000_000)))
    return story


def why(the_plan: Plan, story: Story, asked: gate.Request, *, flowing: bool = False) -> Reason | None:
    answer = gate.ask(the_plan, story.books, asked, story.now, trusted=True, flowing=flowing)
    return answer.reason if isinstance(answer, Refused) else None


# -- the stock -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", [request(), scheduled(), request(purpose=Purpose.PRIME)])
def test_nothing_goes_into_the_tank_while_plan_and_books_name_different_stocks(asked: gate.Request) -> None:
    of = filled()
    assert why(PLAN, of, asked) is None
    assert why(OTHER, of, asked) is Reason.STOCK


def test_into_a_cup_it_runs_all_the_same() -> None:
    assert why(OTHER, filled(), request(into=Into.CUP, purpose=Purpose.PRIME)) is None


def test_other_channels_go_on() -> None:
    assert why(OTHER, filled(), request("ca")) is None


def test_a_person_s_word_ends_it_either_way() -> None:
    for said in (Refill("alk", None, confirm=True, yes=True), Refill("alk", 1_000_000, 400_000, "double")):
        of = filled()
        book(OTHER, of.books, said, of.tell)
        assert why(OTHER, of, request(volume_ul=500)) is None


def test_a_refill_with_another_stock_than_the_plan_s_waits_for_the_plan() -> None:
    of = filled()
    book(PLAN, of.books, Refill("alk", 1_000_000, 400_000, "double"), of.tell)
    assert why(PLAN, of, request(volume_ul=500)) is Reason.STOCK
    assert why(OTHER, of, request(volume_ul=500)) is None


def test_a_strength_that_the_plan_corrects_waits_for_a_word_as_well() -> None:
    strength = SODA.strength
    assert strength is not None
    corrected = plan(stocks=(evolve(SODA, strength=evolve(strength, alkalinity_eq_per_l=1.2)), CHLORIDE))
    of = filled()
    assert why(corrected, of, request()) is Reason.STOCK
    book(corrected, of.books, Refill("alk", None, confirm=True), of.tell)
    assert why(corrected, of, request()) is None
    contents = of.books.contents["alk"].strength
    assert contents is not None
    assert contents.alkalinity_eq_per_l == 1.2


def test_a_reservoir_that_was_never_booked_holds_what_the_plan_says() -> None:
    assert why(PLAN, Story(PLAN), request()) is None


def test_a_reload_that_changes_a_stock_makes_its_doses_missed_and_says_so() -> None:
    rig = Rig(PLAN).start()
    for name in PLAN.channels:
        rig.account.write(refilled(PLAN, rig.books, Refill(name, 1_000_000)), rig.clock.now())
    rig.live(3 * 3600.0)
    given_s = rig.pulse_s("alk")
    assert given_s > 0
    rig.rounds.reload(OTHER)
    rig.live(6 * 3600.0)
    assert rig.pulse_s("alk") == given_s
    missed = [one for one in rig.events(NotGiven) if isinstance(one, NotGiven) and one.channel == "alk"]
    assert {one.outcome for one in missed} == {Outcome.MISSED}
    assert "holds soda by the books, and the plan says double" in missed[0].reason
    state = rig_state(OTHER, rig.books, rig.clock.now())
    assert state.channels["alk"].waiting_for == "the keeper to confirm its stock"
    assert state.channels["ca"].waiting_for is None
    book(
        OTHER,
        rig.books,
        Refill("alk", None, confirm=True, yes=True),
        lambda row: rig.account.write(row, rig.clock.now()),
    )
    rig.rounds.lay_anew()
    rig.live(3 * 3600.0)
    assert rig.pulse_s("alk") > given_s


# -- the water -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", [request(), scheduled(), request(purpose=Purpose.PRIME)])
def test_nothing_goes_into_water_that_is_not_known_to_move(asked: gate.Request) -> None:
    of = filled(FLOWS)
    assert why(FLOWS, of, asked) is Reason.CIRCULATION
    assert why(FLOWS, of, asked, flowing=True) is None
    assert why(PLAN, filled(), asked) is None, "a plan without such an input does not ask"


def test_into_a_cup_it_runs_in_still_water() -> None:
    assert why(FLOWS, filled(FLOWS), request(into=Into.CUP)) is None


def test_the_second_look_sees_that_the_water_has_stopped() -> None:
    of = filled(FLOWS)
    allowed = gate.ask(FLOWS, of.books, request(), of.now, trusted=True, flowing=True)
    assert isinstance(allowed, Allowed)
    of.tell(allowed.reserved)
    later = reading(3.0)
    refused = gate.still_good(allowed, FLOWS, of.books, of.now, later, trusted=True, flowing=False)
    assert refused is not None
    assert refused.reason is Reason.CIRCULATION
    assert gate.still_good(allowed, FLOWS, of.books, of.now, later, trusted=True, flowing=True) is None


def test_a_turn_that_nobody_told_of_the_flow_gives_nothing() -> None:
    rig = Rig(FLOWS).start().live(6 * 3600.0)
    assert rig.pulse_s("alk") == 0.0
    missed = [one for one in rig.events(NotGiven) if isinstance(one, NotGiven)]
    assert {one.outcome for one in missed} == {Outcome.MISSED}
    assert "no flow in the tank is seen" in missed[0].reason


def test_a_turn_asks_of_the_plan_in_force() -> None:
    rig, asked = Rig(FLOWS), []

    def flowing(of: Plan) -> bool:
        asked.append(of)
        return True

    turn = Turn(FLOWS, rig.account, rig.pumps, rig.clock, trusted=lambda: True, flowing=flowing)
    rig.start()
    assert turn.run(request()).outcome is Outcome.GIVEN
    assert asked == [FLOWS]


def test_water_that_stops_during_a_slow_commit_gets_nothing() -> None:
    flow, slow = [True], [False]

    def step(name: str) -> None:
        if slow[0] and name == "committed":
            slow[0], flow[0] = False, False
            rig.clock.pass_s(3.0)

    rig = Rig(FLOWS, at_step=step).start()
    turn = Turn(FLOWS, rig.account, rig.pumps, rig.clock, trusted=lambda: True, flowing=lambda _: flow[0])
    slow[0] = True
    result = turn.run(request())
    assert (result.outcome, result.why) == (Outcome.MISSED, Reason.CIRCULATION)
    assert rig.pulse_s("alk") == 0.0
