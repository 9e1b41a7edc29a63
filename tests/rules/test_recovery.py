"""R1: a reservation found open is booked at the most that can have gone in, and never repeated."""

from __future__ import annotations

import math

import pytest
from attrs import evolve

from dosingd.records import Outcome, Reading, Reserved, Row, Settled, Stamp
from dosingd.recovery import LinesLow, booked_after_loss, change_of, line_low, outlived
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


#: 20 s after the reservation; the daemon's own driving low came at 60 s.
HELPER = LinesLow("boot-1", 20.0, frozenset({17, 27}))


def by(helper: LinesLow | None, low: Reading | None = None, gpio: int | None = 17) -> int:
    """What is booked of 1 mL at 100 µL/s, reserved at 0 s on GPIO 17."""
    row = Story(plan()).reserve("alk", 1_000)
    return booked_after_loss(row, line_low(row, low or reading(60.0), helper, gpio), row).given_ul


def test_the_pump_ran_until_the_stop_helper_drove_its_line_low() -> None:
    assert by(HELPER) == 2_000  # 100 µL/s * 20 s
    assert by(evolve(HELPER, mono_s=1.0)) == 1_050, "never less than what was reserved"


DOES_NOT_SPEAK_OF_IT: dict[str, tuple[LinesLow | None, int | None]] = {
    "none": (None, 17),
    "another boot's": (evolve(HELPER, boot_id="boot-0"), 17),
    "another line": (evolve(HELPER, gpios=frozenset({27})), 17),
    "no line": (evolve(HELPER, gpios=frozenset()), 17),
    "the run's line is not sure": (HELPER, None),
    "from the reservation's own instant": (evolve(HELPER, mono_s=0.0), 17),
    "from before it": (evolve(HELPER, mono_s=-1.0), 17),
    "from the start": (evolve(HELPER, mono_s=60.0), 17),
    "from the future": (evolve(HELPER, mono_s=1e9), 17),
    "no number": (evolve(HELPER, mono_s=math.nan), 17),
}


@pytest.mark.parametrize("why", DOES_NOT_SPEAK_OF_IT)
def test_a_stop_helper_is_not_believed_of_a_run_that_it_does_not_speak_of(why: str) -> None:
    helper, gpio = DOES_NOT_SPEAK_OF_IT[why]
    assert by(helper, gpio=gpio) == 6_000  # 100 µL/s * 60 s, as without it


def test_after_a_reboot_the_stop_helper_lessens_nothing() -> None:
    low = reading(30.0, boot="boot-2")
    row = Story(plan()).reserve("alk", 1_000)
    for boot_id in ("boot-1", "boot-2"):
        helper = evolve(HELPER, boot_id=boot_id)
        assert line_low(row, low, helper, 17) == low
        assert by(helper, low) == 10_050


#: The lease of 1 mL is 10.5 s; a quarter of a second is the loop's, nine are the watchdog's and the stop helper's.
LEASE_S, GRACE_S = 10.5, 9.25


def held_for(low: Reading, helper: LinesLow | None = None, *, gpio: int | None = 17, bench: bool = False) -> str | None:
    """What holds the rig for 1 mL that was reserved at 0 s on GPIO 17 and found open."""
    return outlived(Story(plan()).reserve("alk", 1_000), low, helper, gpio, bench=bench)


def test_a_run_whose_line_was_low_near_its_lease_s_end_does_not_hold_and_a_later_one_does() -> None:
    ends_s = LEASE_S + GRACE_S
    for past_s, holds in ((-5.0, False), (0.0, False), (0.01, True), (4.0, True)):
        late = evolve(HELPER, mono_s=ends_s + past_s)
        for bench in (False, True):  # the helper's word is as good on a bench
            assert bool(held_for(reading(600.0), late, bench=bench)) is holds, past_s
        assert bool(held_for(reading(ends_s + past_s))) is holds, "nobody but this start drove the line low"
    why = held_for(reading(600.0), evolve(HELPER, mono_s=20.2))
    assert why is not None
    assert why.startswith("alk: ")
    assert "20.2 s after the run was booked, past its lease of 10.5 s" in why


def test_where_nobody_knows_when_the_line_went_low_nothing_is_held() -> None:
    assert held_for(reading(3600.0), bench=True) is None, "a bench's pretend line ends with the process"
    assert held_for(reading(3600.0, boot="boot-2")) is None, "a reset drives lines low, and nobody saw when"
    assert held_for(reading(3600.0, boot="boot-2"), HELPER) is None
    # It drove lines low after the run began, and whether this was among them is not sure.
    assert held_for(reading(3600.0), HELPER, gpio=None) is None
    assert held_for(reading(3600.0), evolve(HELPER, gpios=frozenset({27}))) is None
    # A word of before the run, or of another boot, says nothing of it: then this start's own counts.
    for silent in (evolve(HELPER, mono_s=-1.0), evolve(HELPER, boot_id="boot-0")):
        assert held_for(reading(3600.0), silent, gpio=None) is not None


def test_only_a_reservation_can_be_lost() -> None:
    with pytest.raises(TypeError):
        booked_after_loss(Row(1, reading(), Stamp(), 0), reading(), Row(1, reading(), Stamp(), 0))
