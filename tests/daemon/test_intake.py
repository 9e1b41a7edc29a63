"""From a message on the topic of orders to the desk, the ledger and the answer, in virtual time (R10)."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import pytest
from attrs import evolve

from dosingd.books import ORDERS_KEPT, Books
from dosingd.daemon.intake import TOLD_EVERY_S, Intake
from dosingd.orders import IDS_KEPT, MOST_WAITING, ORDERS_AT_ONCE
from dosingd.plan.model import Broker, Plan
from dosingd.records import Held, NotGiven, Ordered, Purpose, Released, Reserved, Row, Settled
from dosingd.requests import Hold
from tests.builders import ALK, plan, reading
from tests.daemon.manned import DEADLINE_S, Manned

PLAN: Plan = evolve(plan(ALK), mqtt=Broker("localhost", username="u", password_file="/p", orders=("hold", "dose")))


class Told:
    """The answers that the link was handed."""

    def __init__(self) -> None:
        self.answers: list[tuple[str, Mapping[str, Any]]] = []
        self._came = threading.Condition()

    def __call__(self, order_id: str, data: Mapping[str, Any]) -> None:
        with self._came:
            self.answers.append((order_id, data))
            self._came.notify_all()

    def answer(self, count: int = 1) -> Mapping[str, Any]:
        with self._came:
            assert self._came.wait_for(lambda: len(self.answers) >= count, DEADLINE_S)
        return self.answers[count - 1][1]

    def code(self, count: int = 1) -> str:
        answer = self.answer(count)
        assert answer["ok"] is False
        return str(answer["error"]["code"])


class Desk(Manned):
    """A manned rig whose desk takes orders."""

    def __init__(self, of: Plan = PLAN) -> None:
        super().__init__(of)
        self.told_of = Told()
        self.intake = self.new_intake()

    def __enter__(self) -> Desk:
        super().__enter__()
        return self

    def new_intake(self) -> Intake:
        return Intake(self.desk, self.duty, self.clock, lambda priority, text: self.said.append((priority, text)))

    def order(self, verb: str = "dose", name: str = "a-1", life_s: float = 30.0, **changed: object) -> bytes:
        now_at = self.clock.now().wall_at
        made: dict[str, object] = {
            "id": name,
            "at": now_at.isoformat(),
            "expires_at": (now_at + timedelta(seconds=life_s)).isoformat(),
            "verb": verb,
        }
        if verb == "dose":
            made |= {"channel": "alk", "volume": "1 mL"}
        return json.dumps(made | changed).encode()

    def give(self, payload: bytes, *, retained: bool = False) -> Told:
        told = Told()
        self.intake.came(payload, retained=retained, answer=told)
        return told

    def logged(self, word: str) -> list[str]:
        return [text for _, text in self.said if word in text]


def test_the_order_is_in_the_ledger_before_the_dose_and_the_dose_passes_the_gate() -> None:
    with Desk() as of:
        answer = of.give(of.order()).answer()
        assert (answer["ok"], answer["outcome"], answer["asked_ul"]) == (True, "given", 1000)
        events = of.rig.events(Ordered, Reserved, Settled)
        assert [type(event) for event in events] == [Ordered, Reserved, Settled]
        reserved = events[1]
        assert isinstance(reserved, Reserved)
        assert reserved.purpose is Purpose.MANUAL
        assert of.logged("from the broker: dose alk 1.00 mL, order a-1")


def test_an_order_is_carried_out_once_however_often_it_comes() -> None:
    with Desk() as of:
        payload = of.order()
        of.give(payload).answer()
        for _ in range(5):
            assert of.give(payload).code() == "repeated"
        assert len(of.rig.events(Settled)) == 1


def test_after_a_restart_the_ids_are_known_from_the_ledger() -> None:
    with Desk() as of:
        payload = of.order()
        of.give(payload).answer()
        of.intake = of.new_intake()
        go_on = of.stuck()  # it is refused before anything is stopped for it
        assert of.give(payload).code() == "repeated"
        assert of.give(of.order("hold")).code() == "repeated"
        assert not of.cut.event.is_set()
        go_on()
        assert of.rig.books.ordered == {"a-1": None}
        assert len(of.rig.events(Ordered)) == 1


def test_an_id_that_the_memory_has_lost_the_ledger_refuses() -> None:
    with Desk() as of:
        dose, hold = of.order(), of.order("hold", "a-2")
        of.give(dose).answer()
        of.give(hold).answer()
        of.write(Released("a person"))
        of.rig.books.ordered = {f"newer-{number}": None for number in range(IDS_KEPT)}
        of.intake = of.new_intake()
        assert of.give(dose).code() == "repeated"
        assert of.give(hold).code() == "repeated"
        assert of.rig.books.held is None
        assert of.cut.reasons == ()  # and the rig goes on dosing
        assert len(of.rig.events(Settled)) == 1


def test_the_books_keep_the_newest_ids_and_no_more() -> None:
    books = Books()
    for seq in range(ORDERS_KEPT + 5):
        now = reading(float(seq))
        books.apply(Row(seq, now, Ordered(f"a-{seq}", "hold", None, None, now.wall_at, now.wall_at), 0))
    assert list(books.ordered) == [f"a-{seq}" for seq in range(5, ORDERS_KEPT + 5)]


def test_a_hold_ends_the_run_that_is_on_and_is_booked() -> None:
    with Desk() as of:
        run = of.give(of.order())
        of.settle()
        of.clock.stand_after_s = 1.0
        run = of.give(of.order(name="a-2"))
        assert of.clock.standing.wait(DEADLINE_S)
        hold = of.give(of.order("hold", "a-3"))
        assert hold.answer()["ok"] is True
        assert run.answer()["outcome"] == "partial"
        assert of.rig.events(Held) == [Held("by an order from the broker, a-3")]
        assert of.cut.reasons == ()


def test_a_hold_that_is_not_carried_out_leaves_a_persons_hold_alone() -> None:
    with Desk() as of:
        hold = of.order("hold")
        of.give(hold).answer()
        of.write(Released("a person"))
        of.rig.books.ordered = {}
        of.intake = of.new_intake()
        go_on = of.stuck()
        again, person = of.give(hold), of.later(Hold("by hand"))
        assert of.cut.event.is_set()
        go_on()
        assert again.code() == "repeated"
        assert person.answer().status == 0
        assert of.rig.books.held == "by hand"


def test_a_dose_that_waited_past_its_own_end_is_not_given() -> None:
    with Desk() as of:
        go_on = of.stuck()
        told = of.give(of.order(life_s=3.0))
        of.clock.pass_s(4.0)
        go_on()
        assert told.code() == "expired"
        assert of.rig.events(Ordered) == []
        assert of.rig.events(Settled) == []


def test_a_dose_that_could_not_begin_in_time_is_never_begun() -> None:
    with Desk() as of:
        go_on = of.stuck()
        told = of.give(of.order())
        of.tick_after(11.0)
        assert told.code() == "busy"
        go_on()
        of.settle()
        assert of.rig.events(Ordered) == []
        assert of.rig.events(Settled) == []


def test_only_so_many_doses_wait() -> None:
    with Desk() as of:
        go_on = of.stuck()
        waiting = [of.give(of.order(name=f"a-{number}")) for number in range(MOST_WAITING)]
        assert of.give(of.order(name="b")).code() == "busy"
        go_on()
        assert [told.answer()["ok"] for told in waiting] == [True] * MOST_WAITING
        assert of.give(of.order(name="c")).answer()["ok"] is True


def test_a_clock_that_moved_since_the_state_was_shown_is_not_trusted() -> None:
    with Desk() as of:
        of.clock.set_wall(60.0)
        assert of.give(of.order()).code() == "clock"
        assert of.rig.events(Ordered) == []


def test_a_hold_is_taken_by_a_clock_that_is_wrong_by_years() -> None:
    with Desk() as of:
        hold = of.order("hold")
        of.clock.set_wall(-365 * 86_400.0)
        assert of.give(hold).answer()["ok"] is True
        assert of.rig.books.held == "by an order from the broker, a-1"
        of.write(Released("a person"))
        assert of.give(hold).code() == "repeated"
        assert of.rig.books.held is None


def test_a_flood_of_doses_keeps_no_hold_out() -> None:
    with Desk() as of:
        for number in range(3 * ORDERS_AT_ONCE):
            of.give(of.order(name=f"flood-{number}")).answer()
        assert of.intake.counts()["refused"]["rate"] > ORDERS_AT_ONCE / 2
        assert of.give(of.order("hold")).answer()["ok"] is True
        assert of.rig.books.held is not None


def test_without_a_trusted_clock_no_dose_is_taken() -> None:
    with Desk() as of:
        of.clock.synchronised = False
        of.clock.set_wall(-3600.0)
        of.settle()
        of.duty.wake()
        of.settle()
        assert of.state().clock_trusted is False
        assert of.give(of.order()).code() == "clock"
        assert of.give(of.order("hold", "a-2")).answer()["ok"] is True


def test_a_clock_that_lost_trust_while_the_order_waited_ends_it() -> None:
    with Desk() as of:
        go_on = of.stuck()
        told = of.give(of.order())
        assert of.rig.rounds.trust is not None
        of.rig.rounds.trust = evolve(of.rig.rounds.trust, trusted=False)
        go_on()
        assert told.code() == "clock"


def test_before_the_first_state_no_dose_is_taken_and_a_hold_waits_for_the_rounds_to_begin() -> None:
    of = Desk()
    assert of.give(of.order()).code() == "clock"
    hold = of.give(of.order("hold", "a-2"))
    assert hold.answers == []
    with of:
        assert hold.answer()["ok"] is True
        assert of.rig.books.held == "by an order from the broker, a-2"


def test_what_the_gate_refuses_is_answered_and_booked() -> None:
    with Desk() as of:
        of.write(Held("leak"))
        told = of.give(of.order())
        assert told.code() == "held"
        assert [type(event) for event in of.rig.events(Ordered, NotGiven)] == [Ordered, NotGiven]
        assert of.logged("order a-1 from the broker: alk: the rig is held: leak")


def test_without_a_ledger_nothing_is_carried_out() -> None:
    with Desk() as of:
        of.break_ledger()
        assert of.give(of.order()).code() == "ledger"
        assert of.give(of.order(name="a-2")).code() == "ledger"
        assert of.give(of.order("hold", "a-3")).code() == "ledger"
        assert of.cut.event.is_set()
        assert of.rig.events(Settled) == []


@pytest.mark.parametrize("orders", [(), ("hold",)])
def test_what_the_plan_in_force_does_not_allow_is_refused_even_when_the_link_still_listens(
    orders: tuple[str, ...],
) -> None:
    assert PLAN.mqtt is not None
    with Desk(evolve(PLAN, mqtt=evolve(PLAN.mqtt, orders=orders))) as of:
        assert of.give(of.order()).code() == "not-allowed"
    with Desk(evolve(PLAN, mqtt=None)) as of:
        assert of.give(of.order()).code() == "not-allowed"


def test_what_has_no_id_is_answered_nowhere_and_counted() -> None:
    with Desk() as of:
        told = of.give(b"{}")
        assert told.answers == []
        assert of.intake.counts() == {"taken": 0, "refused": {"malformed": 1}}
        assert of.logged("an order from the broker is refused (malformed)")


def test_a_fault_of_our_own_is_told_and_raises_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    with Desk() as of:
        monkeypatch.setattr(of.desk, "take_after", fail)
        assert of.give(of.order()).answers == []
        assert of.logged("by a fault in dosingd itself: ZeroDivisionError")
        assert of.intake.counts()["refused"] == {"failed": 1}


def test_the_log_says_once_an_hour_what_came_if_anything_did() -> None:
    with Desk() as of:
        of.intake.tick()
        of.clock.pass_s(TOLD_EVERY_S)
        of.intake.tick()
        assert not of.logged("last hour")
        of.settle()
        for _ in range(30):
            of.give(b"{}")
        of.give(of.order("hold")).answer()
        assert len(of.logged("is refused")) == 10
        of.clock.pass_s(TOLD_EVERY_S)
        of.intake.tick()
        of.intake.tick()
        assert of.logged("last hour") == ["1 order from the broker taken in the last hour, 30 refused (malformed 30)"]
