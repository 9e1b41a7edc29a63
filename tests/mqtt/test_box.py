"""The box between the rig and its link: the newest state, and a bounded row of doses."""

from __future__ import annotations

from dosingd.mqtt.box import ANSWERS_KEPT, DOSES_KEPT, Box
from dosingd.mqtt.topics import answer_message
from tests.mqtt.states import dose, state


def doses_in(box: Box) -> list[str | None]:
    found = []
    while (taken := box.take_dose()) is not None:
        found.append(taken.slot)
    return found


def slots(*numbers: int) -> list[str | None]:
    return [dose(number).slot for number in numbers]


def test_only_the_newest_state_is_in_it_and_once() -> None:
    box = Box()
    box.put_state(state())
    box.put_state(newest := state(held=True))
    assert box.take_state() is newest
    assert box.take_state() is None
    box.bell.close()


def test_doses_come_out_in_order_and_the_oldest_go_when_there_is_no_room() -> None:
    box = Box()
    for number in range(DOSES_KEPT + 3):
        box.put_dose(dose(number))
    assert box.dropped == 3
    assert doses_in(box) == slots(*range(3, DOSES_KEPT + 3))
    box.bell.close()


def test_doses_that_are_put_back_come_before_what_came_meanwhile() -> None:
    box = Box()
    for number in range(4):
        box.put_dose(dose(number))
    taken = [box.take_dose(), box.take_dose()]
    box.put_back(one for one in taken if one is not None)
    assert doses_in(box) == slots(0, 1, 2, 3)
    box.bell.close()


def test_of_doses_that_are_put_back_the_oldest_go_when_there_is_no_room() -> None:
    box = Box()
    for number in range(3, DOSES_KEPT + 2):
        box.put_dose(dose(number))
    box.put_back([dose(1), dose(2)])
    assert box.dropped == 1
    assert doses_in(box) == slots(*range(2, DOSES_KEPT + 2))
    box.bell.close()


def test_of_answers_the_newest_are_kept_and_one_that_could_not_go_out_comes_first() -> None:
    box = Box()
    answers = [answer_message("lagoon", f"a-{number}", {"ok": True}) for number in range(ANSWERS_KEPT + 3)]
    for answer in answers:
        box.put_answer(answer)
    first = box.take_answer()
    assert first is answers[3]
    box.put_answer_back(first)
    assert box.take_answer() is first
    box.put_answer(answers[0])
    box.put_answer_back(first)  # there is no room for it any more
    found = []
    while (answer_ := box.take_answer()) is not None:
        found.append(answer_)
    assert found == [*answers[4:], answers[0]]
    box.bell.close()
