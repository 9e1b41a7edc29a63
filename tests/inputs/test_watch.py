"""The watch: what asks for a hold stops the pump first, lost flow ends a run, and nothing is asked for twice."""

from __future__ import annotations

import math

from attrs import evolve

from dosingd.books import Books
from dosingd.causes import Cause, Causes
from dosingd.clock import VirtualClock
from dosingd.inputs import Watch
from dosingd.inputs.watch import ROWS_AN_HOUR
from dosingd.plan.model import Plan
from dosingd.records import Switched
from tests.builders import START_AT
from tests.inputs.test_judging import with_inputs

PLAN = with_inputs(circulation=True, leak=True, hold_switch=True)


class Contacts:
    """Contacts that a test moves: True is closed, None cannot be read."""

    def __init__(self) -> None:
        self.levels: dict[str, bool | None] = {"circulation": True, "leak": False, "hold_switch": False}
        self.raises = False

    def closed(self, name: str) -> bool | None:
        if self.raises:
            raise OSError("no such line")
        return self.levels[name]

    def refit(self, plan: Plan) -> None: ...

    def close(self) -> None: ...


class Watched:
    """A watch in virtual time, and all that it did to the rig, in order."""

    def __init__(self, plan: Plan = PLAN) -> None:
        self.clock, self.contacts, self.books = VirtualClock(START_AT), Contacts(), Books()
        self.did: list[str] = []
        self.wrote: list[Switched] = []
        self.woken = 0
        self.watch = Watch(plan, self.contacts, self.clock, lambda: self.books)

    def cut(self, reason: str) -> None:
        self.did.append(f"cut {reason}")

    def hold(self, why: str, reason: str) -> None:
        self.did.append(f"hold {reason}: {why}")

    def mend(self, reason: str) -> None:
        self.did.append(f"mend {reason}")

    def write(self, event: Switched) -> None:
        self.wrote.append(event)

    def wake(self) -> None:
        self.woken += 1

    def live(self, seconds: float) -> Watched:
        """Looks at every quarter of a second, and sooner where that would tell."""
        end_s = self.clock.true_s + seconds
        while self.clock.true_s < end_s:
            again_s = self.watch.turn(self) - self.clock.mono_s
            self.clock.pass_s(max(0.001, min(0.25, again_s, end_s - self.clock.true_s)))
        self.watch.turn(self)
        return self


def test_a_wet_floor_stops_the_pump_first_and_is_booked_second() -> None:
    of = Watched().live(5)
    assert of.did == []
    of.contacts.levels["leak"] = True
    of.live(0.31)  # a quarter until it is seen, a twentieth until it is believed
    assert of.did == ["cut input", "hold input: the leak sensor (GPIO 13) is wet"]
    of.live(60)
    assert len(of.did) == 2, "until it is booked it is not asked for twice"


def test_it_is_asked_for_again_after_a_release_while_it_is_wet() -> None:
    of = Watched().live(5)
    of.contacts.levels["leak"] = True
    of.live(1)
    of.books.latch = Causes((Cause("the leak sensor (GPIO 13) is wet", START_AT),))
    of.live(10)
    of.books.latch = Causes()
    of.live(1)
    assert of.did.count("cut input") == 2


def test_a_leak_holds_for_itself_a_rig_that_is_held_for_something_else() -> None:
    """That one's end must not be the end of this; and what is in the ledger is not asked for again."""
    of = Watched().live(5)
    of.books.latch = Causes((Cause("hands in the tank", START_AT),))
    of.contacts.levels["leak"] = True
    of.live(10)
    assert [did for did in of.did if did.startswith("hold")] == ["hold input: the leak sensor (GPIO 13) is wet"]
    of.books.latch = Causes((*of.books.causes, Cause("the leak sensor (GPIO 13) is wet", START_AT)))
    of.live(10)
    assert of.did.count("cut input") == 1


def test_a_dry_floor_releases_nothing() -> None:
    of = Watched().live(5)
    of.contacts.levels["leak"] = True
    of.live(1)
    of.books.latch = Causes((Cause("the leak sensor (GPIO 13) is wet", START_AT),))
    of.contacts.levels["leak"] = False
    of.live(60)
    assert of.books.held == "the leak sensor (GPIO 13) is wet"
    assert of.watch.why_held() is None


def test_lost_flow_ends_a_run_and_latches_nothing() -> None:
    of = Watched().live(5)
    assert of.watch.flows(PLAN)
    of.contacts.levels["circulation"] = False
    of.live(2)
    assert not of.watch.flows(PLAN)
    assert of.did == ["cut circulation", "mend circulation"]
    of.live(600)
    of.contacts.levels["circulation"] = True
    of.live(3)
    assert of.watch.flows(PLAN)
    assert len(of.did) == 2


def test_lines_that_raise_say_what_is_unsafe() -> None:
    of = Watched().live(5)
    of.contacts.raises = True
    of.live(3)
    assert not of.watch.flows(PLAN)
    assert "hold input: the leak sensor (GPIO 13) is not readable, so it counts as wet" in of.did


def test_without_contacts_nothing_flows() -> None:
    of = Watched()
    of.watch = Watch(PLAN, None, of.clock, lambda: of.books)
    of.live(5)
    assert not of.watch.flows(PLAN)


def test_a_plan_that_is_reloaded_begins_anew_with_lines_that_changed() -> None:
    of = Watched().live(5)
    moved = evolve(PLAN, inputs={**PLAN.inputs, "circulation": evolve(PLAN.inputs["circulation"], gpio=7)})
    assert not of.watch.flows(moved), "at once, before the watch has looked"
    of.watch.refit(moved)
    of.live(1)
    assert not of.watch.flows(moved)
    of.live(2)
    assert of.watch.flows(moved)
    of.watch.refit(with_inputs(leak=True))
    of.live(1)
    assert set(of.watch.says()) == {"leak"}


def test_what_a_switch_says_is_written_when_it_changes_and_not_by_each_start() -> None:
    of = Watched().live(5)
    assert of.wrote == [Switched("circulation", "flow"), Switched("leak", "dry"), Switched("hold_switch", "off")]
    of.live(3600)
    assert len(of.wrote) == 3
    of.contacts.levels["circulation"] = False
    of.live(5)
    assert of.wrote[-1] == Switched("circulation", "no flow")


def test_a_switch_that_is_loose_does_not_fill_the_ledger() -> None:
    of = Watched().live(5)
    for number in range(100):
        of.contacts.levels["hold_switch"] = number % 2 == 0
        of.live(20)
    assert len([one for one in of.wrote if one.name == "hold_switch"]) <= ROWS_AN_HOUR


def test_a_round_is_made_when_something_changed_and_not_otherwise() -> None:
    of = Watched().live(5)
    woken = of.woken
    of.live(100)
    assert of.woken == woken
    of.contacts.levels["circulation"] = False
    of.live(5)
    assert of.woken == woken + 1


def test_a_plan_without_inputs_needs_no_look() -> None:
    of = Watched(with_inputs())
    assert of.watch.turn(of) == math.inf
    assert of.did == []
