"""A refill asked of the running rig: booked between two runs, and the rest of the day laid by what is really there."""

from __future__ import annotations

from attrs import evolve

from dosingd.inputs import Watch
from dosingd.records import Held, Refilled
from dosingd.requests import Dose, Refill, Release, Reload, Status
from tests.builders import ALK, CA, CHLORIDE, SODA, plan
from tests.daemon.manned import Manned
from tests.inputs.test_judging import with_inputs
from tests.inputs.test_watch import Contacts, Watched
from tests.reservoirs.test_refills import DOUBLE

STOCKS = (SODA, CHLORIDE, DOUBLE)
PLAN = plan(ALK, stocks=STOCKS)
DOUBLED = plan(evolve(ALK, stock="double"), stocks=STOCKS)
HOUR_S = 3600.0


def refills(of: Manned) -> list[Refilled]:
    return [one for one in of.rig.events(Refilled) if isinstance(one, Refilled)]


def test_a_refill_is_booked_and_answered_with_its_figures() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Refill("alk", 1_000_000))
        assert (answer.status, answer.data["ok"], answer.data["left_ml"]) == (0, True, 1000.0)
        assert answer.data["days_left"] == (1_000_000 - 50_000) / 24_000
        assert refills(of) == [Refilled("alk", 1_000_000, None, "soda", {"alkalinity": 1.0}, 0, {"alkalinity": 1.0})]
        assert of.state().channels["alk"].reservoir.left_ul == 1_000_000


def test_one_that_cannot_be_is_refused_and_nothing_is_booked() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Refill("alk", 1_200_000))
        assert (answer.status, answer.code) == (2, "refill")
        assert answer.text is not None
        assert "more than its reservoir holds, 1000 mL" in answer.text
        assert of.ask(Refill("xyz", 5)).text == (
            "xyz: no such channel in the plan. Nothing was booked. To see them: dosingd status"
        )
        assert refills(of) == []


def test_the_rest_of_the_day_follows_the_strength_that_is_there() -> None:
    with Manned(PLAN) as of:
        of.ask(Refill("alk", 1_000_000))
        of.live(6 * HOUR_S)
        first_s = of.rig.pulse_s("alk")
        assert first_s == 60.0  # six doses of 1 mL at 100 µL/s
        of.file = DOUBLED
        reloaded = of.ask(Reload())
        assert reloaded.messages == (
            "alk: its reservoir holds soda by the books, and the plan says double, so it waits. Next: name soda in"
            " the plan (channels.alk.stock), then: dosingd reload. Only if all in it is double: dosingd refill alk"
            " --confirm",
        )
        of.live(HOUR_S)
        assert of.rig.pulse_s("alk") == first_s
        answer = of.ask(Refill("alk", 1_000_000, 0, "double"))
        assert (answer.data["daily_ml_before"], answer.data["daily_ml_after"]) == (24.0, 12.0)
        of.live(6 * HOUR_S)
        assert of.rig.pulse_s("alk") == first_s + 30.0  # six of half a millilitre


def test_during_a_run_it_waits_for_its_end() -> None:
    with Manned(PLAN) as of:
        dose = of.running(Dose("alk", 1_000))
        refill = of.later(Refill("alk", 900_000))
        assert not refill.answered
        of.clock.go_on.set()
        assert dose.answer().status == 0
        assert refill.answer().data["left_ml"] == 900.0


def test_without_a_ledger_nothing_is_booked() -> None:
    with Manned(PLAN) as of:
        of.break_ledger()
        of.later(Refill("alk", 900_000)).answer()
        answer = of.ask(Refill("alk", 900_000))
        assert (answer.status, answer.code) == (2, "ledger")


def test_a_rig_that_an_input_holds_is_not_released() -> None:
    with Manned(with_inputs(leak=True)) as of:
        contacts = Contacts()
        watching = Watched(of.rig.plan)
        of.duty.watch = Watch(of.rig.plan, contacts, of.clock, lambda: of.rig.books)

        def look(seconds: float) -> None:
            assert of.duty.watch is not None
            of.duty.watch.turn(watching)
            of.clock.pass_s(seconds)
            of.duty.watch.turn(watching)

        look(3.0)
        contacts.levels["leak"] = True
        look(0.1)
        of.write(Held("the leak sensor (GPIO 13) is wet"))
        refused = of.ask(Release())
        assert (refused.status, refused.code) == (2, "input")
        assert refused.text is not None
        assert "the leak sensor (GPIO 13) is wet, and would be held again at once" in refused.text
        contacts.levels["leak"] = False
        look(3.0)
        assert of.ask(Release()).status == 0


def test_what_the_switches_say_is_in_the_status() -> None:
    with Manned(with_inputs(circulation=True)) as of:
        of.duty.watch = Watch(of.rig.plan, Contacts(), of.clock, lambda: of.rig.books)
        watching = Watched(of.rig.plan)
        of.duty.watch.turn(watching)
        assert of.ask(Status()).data["inputs"] == {"circulation": "not known yet"}
        of.clock.pass_s(3.0)
        of.duty.watch.turn(watching)
        assert of.ask(Status()).data["inputs"] == {"circulation": "flow"}


def test_calcium_is_refilled_apart_from_alkalinity() -> None:
    with Manned(plan(ALK, CA)) as of:
        of.ask(Refill("ca", 800_000))
        assert of.state().channels["alk"].reservoir.left_ul is None
