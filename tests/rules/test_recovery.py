"""R1: a reservation found open is booked at the most that can have gone in, and never repeated."""

from __future__ import annotations

import pytest

from dosingd.records import Outcome, Reading, Reserved, Row, Settled, Stamp
from dosingd.recovery import booked_after_loss, change_of
from tests.builders import Story, plan, reading


def lost(low: Reading) -> Settled:
    """1 mL, reserved at 1.05 mL and 10.5 s, lost; the line was low at `low`."""
    story = Story(plan())
    row = story.reserve("alk", 1_000, slot="s1", change={"alkalinity": 1_050})
    return booked_after_loss(row, low, row)


def test_in_the_same_boot_the_pump_may_have_run_until_the_line_was_low() -> None:
    settled = lost(reading(60.0))
    assert settled.given_ul == 6_000  # 100 µL/s * 60 s
    assert settled.ran_ms == 60_000
    assert settled.outcome is Outcome.UNKNOWN
    assert (settled.slot, settled.channel) == ("s1", "alk")


def test_never_less_than_what_was_reserved() -> None:
    for low in (reading(0.0), reading(3.0)):
        settled = lost(low)
        assert settled.given_ul == 1_050
        assert settled.ran_ms == 10_500


def test_after_a_reboot_the_worst_of_one_fault_is_booked() -> None:
    settled = lost(reading(5.0, boot="boot-2"))
    assert settled.given_ul == 10_050  # 100 µL/s * (10.5 + 90 s)
    assert settled.ran_ms == 100_500


def test_after_a_reboot_the_time_that_the_rig_went_on_booking_counts_as_well() -> None:
    story = Story(plan())
    row = story.reserve("alk", 1_000, slot="s1", change={"alkalinity": 1_050})
    newest = story.at(600.0).tell(Stamp())  # held, because a line did not answer, and the reservation still open
    settled = booked_after_loss(row, reading(5.0, boot="boot-2"), newest)
    assert settled.given_ul == 129_000  # 100 µL/s * (600 s + 600 s to the next stamp + 90 s)
    assert settled.ran_ms == 1_290_000


def test_where_boottime_fell_back_the_worst_of_one_fault_is_booked() -> None:
    settled = lost(reading(-50.0))
    assert settled.given_ul == 10_050  # nothing tells how long the line was high: as after a reboot
    assert settled.ran_ms == 100_500


def test_the_change_of_the_tank_is_in_proportion_and_rounded_up() -> None:
    assert lost(reading(60.0)).change_umol == {"alkalinity": 6_000}
    event = Story(plan()).reserve("alk", 1_000, change={"alkalinity": 700}).event
    assert isinstance(event, Reserved)
    assert change_of(event, 1_000) == {"alkalinity": 667}  # 700 * 1000/1050 = 666.7
    assert change_of(event, 0) == {"alkalinity": 0}


def test_only_a_reservation_can_be_lost() -> None:
    with pytest.raises(TypeError):
        booked_after_loss(Row(1, reading(), Stamp(), 0), reading(), Row(1, reading(), Stamp(), 0))
