"""What a run by hand does to the doses still to come: foretold by the gate, and then lived through."""

from __future__ import annotations

import copy
from datetime import timedelta

import pytest
from attrs import evolve
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dosingd.foresight import Foreseen, made_refused
from dosingd.gate import MAY_WAIT_S, Reason, Request
from dosingd.plan.model import Apart, Channel, DailyChange, DailyVolume, Plan
from dosingd.records import Held, Into, NotGiven, Outcome, Purpose
from tests.builders import ALK, CA, START_AT, Rig, channel, limited, plan, request

MIN = 60.0
#: 24 doses of 1 mL at half past each hour, and calcium by hand alone, 20 minutes apart.
IDLE = channel("ca", "chloride", DailyVolume(0), 1, rise_umol=20_000.0)
BY_HAND = plan(ALK, IDLE)


def foreseen(rig: Rig, run: Request) -> tuple[Foreseen, ...]:
    return made_refused(rig.plan, rig.books, run, rig.rounds.coming, rig.clock.now())


# -- apart ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("wait_s", "named"), [(MAY_WAIT_S - 10.0, 0), (MAY_WAIT_S + 10.0, 1)])
def test_a_gap_names_the_dose_that_would_have_to_wait_for_more_than_300_s(wait_s: float, named: int) -> None:
    rig = Rig(BY_HAND).start()
    rig.live(30 * MIN - 1200.0 + wait_s - 10.0)  # 1 mL runs for 10 s, and the gap ends `wait_s` after 00:30
    found = foreseen(rig, request("ca"))
    assert len(found) == named
    rig.turn.run(request("ca"))
    rig.live(3600.0)
    assert len(rig.events(NotGiven)) == named
    if named:
        [one] = found
        assert (one.channel, one.at, one.volume_ul) == ("alk", START_AT + timedelta(minutes=30), 1_000)
        assert one.why == "alk: 20 min must lie between ca and alk; ca ran 14.8 min ago."


def test_the_gap_of_a_run_into_a_cup_counts_as_well() -> None:
    rig = Rig(BY_HAND).start().live(25 * MIN)
    assert len(foreseen(rig, request("ca", purpose=Purpose.PRIME, into=Into.CUP))) == 1


def test_a_channel_s_own_dose_needs_no_gap() -> None:
    rig = Rig(BY_HAND).start().live(29 * MIN)
    assert foreseen(rig, request("alk")) == ()


# -- allowance -----------------------------------------------------------------------------------------------


def test_a_large_dose_names_the_doses_that_its_allowance_then_refuses() -> None:
    """A bucket of 6.5 mL that earns 0.807 mL an hour feeds doses of 1 mL; a dose reserves 1.05 mL.

    It is 1.5 mL after the dose by hand, and at 00:30 1.90. From hour to hour it loses 0.193: 1.71, 1.52, 1.32, 1.13,
    and 0.94 at 05:30: refused. That hour keeps its 0.81: 1.75, 1.55, 1.36, 1.17, and 0.97 at 10:30: refused. 1.78,
    1.59, 1.39, 1.20, and 1.01 at 15:30: refused. 1.81, 1.62, 1.43, 1.24, and 1.04 at 20:30: refused. Without the dose
    by hand the day ends with 6.5 - 24 * 0.193 = 1.9 mL.
    """
    rig = Rig(plan(limited(ALK, day_ul=26_000, run_s=8_000.0, rise_umol=400_000.0))).start()
    found = foreseen(rig, request("alk", 5_000))
    assert [one.at - START_AT for one in found] == [timedelta(hours=hour, minutes=30) for hour in (5, 10, 15, 20)]
    assert all("its day limit of 26.00 mL leaves" in one.why for one in found)
    rig.turn.run(request("alk", 5_000))
    rig.live(24 * 3600.0 - 60.0)
    refused = [event for event in rig.events(NotGiven) if isinstance(event, NotGiven)]
    assert [event.due_at for event in refused] == [one.at for one in found]


def test_what_is_refused_without_the_run_is_not_laid_at_its_door() -> None:
    """A bucket of 4 mL that earns 0.497 mL an hour feeds half of the doses. At 06:31 it holds what two doses left."""
    rig = Rig(plan(limited(ALK, day_ul=16_000, run_s=8_000.0, rise_umol=400_000.0))).start().live(10 * 3600.0 + 60.0)
    without = {due.due_at for due in rig.rounds.coming}
    found = {one.at for one in foreseen(rig, request("alk", 500))}
    rig.live(14 * 3600.0 - 120.0)
    lost = {event.due_at for event in rig.events(NotGiven) if isinstance(event, NotGiven)} & without
    assert len(lost) >= 5
    assert found, "the next one is put off by it"
    assert not found & lost


# -- nothing changes -----------------------------------------------------------------------------------------


def test_nothing_is_foreseen_of_a_run_that_the_gate_refuses() -> None:
    rig = Rig(BY_HAND).start().live(25 * MIN)
    assert len(foreseen(rig, request("ca"))) == 1
    assert foreseen(rig, request("ca", 6_000)) == (), "over its dose limit"
    rig.account.write(Held("a test."), rig.clock.now())
    assert foreseen(rig, request("ca")) == ()


def test_nothing_is_foreseen_of_an_empty_agenda() -> None:
    rig = Rig(BY_HAND).start()
    assert made_refused(rig.plan, rig.books, request("ca"), (), rig.clock.now()) == ()


def test_doses_without_a_wall_time_are_not_looked_at() -> None:
    rig = Rig(BY_HAND).start().live(25 * MIN)
    unclocked = [evolve(due, due_at=None, day=None, due_mono_s=rig.clock.mono_s + 60.0) for due in rig.rounds.coming]
    assert made_refused(rig.plan, rig.books, request("ca"), unclocked, rig.clock.now()) == ()


def test_asking_changes_no_book_and_no_ledger() -> None:
    rig = Rig(plan(ALK, CA)).start().live(25 * MIN)
    before, rows, coming = copy.deepcopy(rig.books), rig.rows(), list(rig.rounds.coming)
    foreseen(rig, request("ca", 4_000))
    foreseen(rig, request("alk", 4_000))
    assert rig.books == before
    assert rig.rows() == rows
    assert rig.rounds.coming == coming


# -- foretold and lived through ------------------------------------------------------------------------------


def _lived(of: Plan, at_s: float, run: Request | None) -> tuple[tuple[Foreseen, ...], set[str]]:
    """The rig's day with a run by hand (or without) at a second of it: what was foretold, and the slots that were
    laid then and refused or missed after it."""
    rig = Rig(of).start().live(at_s)
    laid = {due.slot for due in rig.rounds.coming}
    told: tuple[Foreseen, ...] = ()
    if run is not None:
        told = foreseen(rig, run)
        rig.turn.run(run)
    end_s = (START_AT + timedelta(days=1) - rig.clock.now().wall_at).total_seconds()
    rig.live(end_s - 1.0)
    lost = {
        event.slot
        for event in rig.events(NotGiven)
        if isinstance(event, NotGiven) and event.slot is not None and event.purpose is Purpose.SCHEDULED
    }
    return told, lost & laid


def slots(rig_plan: Plan, at_s: float, told: tuple[Foreseen, ...]) -> set[str]:
    rig = Rig(rig_plan).start().live(at_s)
    by = {(due.channel, due.due_at): due.slot for due in rig.rounds.coming}
    return {by[one.channel, one.at] for one in told}


@settings(max_examples=40)
@given(
    doses=st.sampled_from([(24, 24), (12, 24), (24, 8), (6, 2)]),
    daily_ul=st.integers(12_000, 30_000),
    gap_s=st.sampled_from([0.0, 300.0, 900.0, 1200.0]),
    slack=st.sampled_from([0.8, 0.95, 1.0, 1.1, 1.3]),
    name=st.sampled_from(["alk", "ca"]),
    volume_ul=st.sampled_from([300, 2_000, 4_000, 6_000]),
    cup=st.booleans(),
    third=st.booleans(),
    at_s=st.integers(0, 20 * 3600),
)
@example((24, 24), 24_000, 1200.0, 1.1, "ca", 5_000, False, True, 1500)
@example((24, 24), 24_000, 1200.0, 1.0, "alk", 6_000, False, False, 7)
def test_what_is_foretold_is_what_a_rehearsed_day_then_refuses(
    doses: tuple[int, int],
    daily_ul: int,
    gap_s: float,
    slack: float,
    name: str,
    volume_ul: int,
    cup: bool,
    third: bool,
    at_s: int,
) -> None:
    """Alkalinity and calcium apart, and a third channel that needs no gap, on random limits; a run at a random time."""

    def of(name: str, stock: str, count: int, change: float) -> Channel:
        return channel(
            name,
            stock,
            DailyChange(change),
            count,
            dose_ul=6_000,
            day_ul=int(daily_ul * slack * 1.05),
            run_s=8_000.0,
            rise_umol=400_000.0,
        )

    channels = [of("alk", "soda", doses[0], float(daily_ul)), of("ca", "chloride", doses[1], daily_ul / 2)]
    if third:
        channels.append(of("third", "soda", 48, float(daily_ul)))
    the_plan = evolve(plan(*channels), apart=(Apart(("alk", "ca"), gap_s),) if gap_s else ())
    run = request(
        name, volume_ul, purpose=Purpose.PRIME if cup else Purpose.MANUAL, into=Into.CUP if cup else Into.TANK
    )
    _, without = _lived(the_plan, at_s, None)
    told, with_it = _lived(the_plan, at_s, run)
    assert slots(the_plan, at_s, told) == with_it - without


def test_a_dose_that_would_be_too_late_for_the_pump_is_named() -> None:
    """Two channels that need no gap: calcium's dose is due in the midst of a run by hand of 400 s."""
    slow = channel("alk", daily=DailyVolume(0), doses=1, flow=10.0, dose_ul=5_000, day_ul=40_000, run_s=8_000.0)
    other = channel("ca", "chloride", DailyChange(12_000.0), 24, rise_umol=20_000.0)
    the_plan = plan(slow, other, gap_s=0.0)
    told, with_it = _lived(the_plan, 30 * MIN - 20.0, request("alk", 4_000))
    assert len(with_it) == 1
    assert slots(the_plan, 30 * MIN - 20.0, told) == with_it


def test_a_dose_that_waits_behind_a_dose_that_waits_is_named() -> None:
    """Two channels are dosed near each half past, apart from calcium by 1,200 and by 1,400 s. Calcium by hand makes the
    first wait for 250 s, within its 300; behind it the second is late too, and could not wait for 190 s more."""
    second = channel("mg", "soda", daily=DailyVolume(24_000), doses=24, rise_umol=400_000.0)
    apart = (Apart(("alk", "ca"), 1200.0), Apart(("ca", "mg"), 1400.0))
    the_plan = evolve(plan(limited(ALK, rise_umol=400_000.0), IDLE, second), apart=apart)
    first, other = Rig(the_plan).start().rounds.coming[:2]
    assert first.due_at is not None
    assert (first.channel, other.channel) == ("alk", "mg")
    at_s = (first.due_at - START_AT).total_seconds() + 250.0 - 1200.0 - 10.0
    told, with_it = _lived(the_plan, at_s, request("ca"))
    assert with_it == {other.slot}
    assert slots(the_plan, at_s, told) == with_it
    assert "must lie between ca and mg" in told[0].why, "the gate's reason, as it will be told then"


def test_the_reason_is_the_gate_s_own() -> None:
    rig = Rig(BY_HAND).start().live(25 * MIN)
    [one] = foreseen(rig, request("ca"))
    rig.turn.run(request("ca"))
    rig.live(10 * MIN)
    [no] = rig.events(NotGiven)
    assert isinstance(no, NotGiven)
    assert no.outcome is Outcome.REFUSED
    assert no.facts == {"why": str(Reason.APART)}
    assert no.reason.split(";")[0] == one.why.split(";")[0]
