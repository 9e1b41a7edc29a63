"""A refill while no daemon runs proves that time has passed, and not that the rig was there to dose."""

from __future__ import annotations

from dosingd.records import NotGiven, Outcome
from dosingd.refills import Refill, refilled
from tests.builders import ALK, Rig, plan

HOUR_S = 3600.0


def test_doses_missed_before_a_refill_without_a_daemon_are_booked_all_the_same() -> None:
    rig = Rig(plan(ALK)).start().live(2 * HOUR_S)
    rig.clock.pass_s(3 * HOUR_S)
    rig.account.write(refilled(rig.plan, rig.books, Refill("alk", 900_000)), rig.clock.now())
    rig.clock.pass_s(1 * HOUR_S)
    rig.restart()
    missed = [one for one in rig.events(NotGiven) if isinstance(one, NotGiven)]
    assert {one.outcome for one in missed} == {Outcome.MISSED}
    assert len(missed) == 4, "at half past two, three, four and five"


def test_a_refill_during_the_rounds_books_nothing_twice() -> None:
    rig = Rig(plan(ALK)).start().live(2 * HOUR_S)
    rig.account.write(refilled(rig.plan, rig.books, Refill("alk", 900_000)), rig.clock.now())
    rig.restart().live(HOUR_S)
    assert rig.events(NotGiven) == []
    assert rig.pulse_s("alk") == 30.0
