"""Whole microlitres: exact sums, shares to the microlitre, doses between the pump's smallest and the limit."""

from __future__ import annotations

import re

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from dosingd.errors import CannotLay
from dosingd.plan.model import Channel, Window
from dosingd.portions import day_portions
from tests.timetable.plans import channel, span

NIGHT, NOON = span("21:00", "09:00"), span("11:00", "13:00")


@given(
    st.integers(0, 200_000), st.integers(1, 60), st.integers(0, 100), st.integers(0, 100), st.integers(1, 2000),
    st.integers(1, 9000),
)  # fmt: skip
def test_portions_are_exact_and_within_the_pump_and_the_limit(
    volume_ul: int, doses: int, night: int, noon: int, smallest_ul: int, dose_ul: int
) -> None:
    when = [Window(NIGHT, night / 100)] * (night > 0) + [Window(NOON, noon / 100)] * (0 < noon <= 100 - night)
    one = channel("alk", doses, *when, smallest_ul=smallest_ul, dose_ul=dose_ul)
    try:
        portions = day_portions(one, volume_ul, smallest_ul)
    except CannotLay as refused:
        spoken_for(refused)
        return
    assert sum(sum(portion.doses_ul) for portion in portions) == volume_ul
    assert sum(len(portion.doses_ul) for portion in portions) <= doses
    for portion in portions:
        assert all(smallest_ul <= dose <= dose_ul for dose in portion.doses_ul)
        assert max(portion.doses_ul) - min(portion.doses_ul) <= 1
    shared = {id(window): window.share for window in when}
    for portion in portions:
        share = shared[id(portion.window)] if portion.window else 1 - sum(shared.values())
        assert abs(sum(portion.doses_ul) - volume_ul * share) < 1 + 1e-6


def spoken_for(refused: CannotLay) -> None:
    assert refused.reason.startswith("alk: ")
    assert refused.cure.endswith(".")


def test_doses_come_out_about_equal_over_windows() -> None:
    portions = day_portions(channel("alk", 24, Window(NIGHT, 0.6)), 67_000, 500)
    assert [len(portion.doses_ul) for portion in portions] == [14, 10]
    assert [sum(portion.doses_ul) for portion in portions] == [40_200, 26_800]


def test_a_small_volume_is_given_in_fewer_doses() -> None:
    (portion,) = day_portions(channel("alk", 24), 3_200, 500)
    assert portion.doses_ul == (533, 533, 534, 533, 533, 534)


def test_nothing_to_give_is_no_dose() -> None:
    assert day_portions(channel("alk", 24), 0, 500) == ()


@pytest.mark.parametrize(
    ("one", "volume_ul", "reason", "cure"),
    [
        (channel("alk", 24), 499, "0.499 mL a day is less than the pump's smallest dose", "Raise daily to 0.5 mL"),
        (
            channel("alk", 24), 115_000, "115 mL a day in 24 doses is more than the dose limit, 4.5 mL, allows",
            "Raise doses to 26, or raise limits.dose to 4.792 mL.",
        ),
        (channel("alk", 1, Window(NIGHT, 0.6)), 3_000, "1 dose a day cannot serve 2 parts", "Raise doses to 2"),
        (channel("alk", 9, Window(NIGHT, 0.1)), 3_000, "the window 21:00 to 09:00 would get 0.3 mL", "at least 17 %"),
        (channel("alk", 9, Window(NIGHT, 0.9)), 3_000, "the rest of the day would get 0.3 mL", "at least 17 %"),
    ],
)  # fmt: skip
def test_what_cannot_be_portioned_is_refused_with_its_cure(
    one: Channel, volume_ul: int, reason: str, cure: str
) -> None:
    with pytest.raises(CannotLay) as refused:
        day_portions(one, volume_ul, 500)
    assert reason in refused.value.reason
    assert cure in refused.value.cure


def test_the_cure_of_a_dose_limit_cures() -> None:
    one = channel("alk", 24, Window(NIGHT, 0.63))
    with pytest.raises(CannotLay) as refused:
        day_portions(one, 112_345, 500)
    found = re.fullmatch(r"Raise doses to (\d+), or raise limits\.dose to ([\d.]+) mL\.", refused.value.cure)
    assert found
    doses, limit_ul = int(found[1]), round(float(found[2]) * 1000)
    assert day_portions(evolve(one, doses=doses), 112_345, 500)
    assert day_portions(evolve(one, limits=evolve(one.limits, dose_ul=limit_ul)), 112_345, 500)
    for nearly in (evolve(one, doses=doses - 1), evolve(one, limits=evolve(one.limits, dose_ul=limit_ul - 1))):
        with pytest.raises(CannotLay):
            day_portions(nearly, 112_345, 500)
