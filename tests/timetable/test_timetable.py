"""Whole days, checked from outside by tests/timetable/oracles.py."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.calibration import Flow
from dosingd.errors import CannotLay
from dosingd.plan.model import Apart, Plan, Window
from dosingd.spacing import nearest_starts
from dosingd.timetable import Dose, day_bounds, evenness, lay_day, lay_span, quiet_until
from tests.timetable.oracles import breaches, clock_changes, starts_at, volume_by_window, volumes
from tests.timetable.plans import (
    FULL_NIGHT,
    FULL_NIGHT_UL,
    LAGOON,
    LAGOON_UL,
    NIGHT,
    channel,
    flows,
    plan,
    span,
)

LISBON = ZoneInfo("Europe/Lisbon")
SPRING, AUTUMN, SUMMER = date(2027, 3, 28), date(2027, 10, 31), date(2027, 6, 1)

#: 30-minute changes (Lord Howe), quarter-hour offsets (Chatham), changes at or around midnight (Havana, Santiago,
#: Beirut, Cairo, Azores, Nuuk), and four common ones.
ZONES = (
    "Australia/Lord_Howe", "Pacific/Chatham", "America/Havana", "America/Santiago", "Asia/Beirut", "Africa/Cairo",
    "Atlantic/Azores", "America/Nuuk", "Europe/Lisbon", "America/New_York",
)  # fmt: skip


def check_day(of: Plan, day: date, volumes_ul: dict[str, int], zone: ZoneInfo) -> tuple[Dose, ...]:
    """Lays a day and holds it to everything that can be seen from outside."""
    doses = lay_day(of, day, volumes_ul, flows(of), zone)
    assert volumes(doses) == {name: volume for name, volume in volumes_ul.items() if volume}
    assert breaches(of, doses, zone) == []
    assert list(doses) == sorted(doses, key=lambda dose: dose.due_at)
    start, end = starts_at(day, zone), starts_at(day + timedelta(days=1), zone)
    for dose in doses:
        pump, limits = of.channels[dose.channel].pump, of.channels[dose.channel].limits
        assert pump.smallest_ul <= dose.volume_ul <= limits.dose_ul
        half = timedelta(seconds=max((r.gap_s for r in of.apart if dose.channel in r.between), default=0.0) / 2)
        assert start + half <= dose.due_at
        assert dose.due_at + timedelta(seconds=dose.run_s) + half <= end
        assert dose.due_at.tzinfo is UTC
        assert dose.slot == f"{day}/{dose.channel}/{(dose.due_at - start) // timedelta(milliseconds=1):09d}"
        assert dose.run_s == int(dose.volume_ul / pump.nominal_ul_per_s * 1000 + 1e-6) / 1000
        assert dose.day == day
    assert len({dose.slot for dose in doses}) == len(doses)
    for name, one in of.channels.items():
        if not volumes_ul.get(name):
            continue
        parts = volume_by_window(of, name, doses, zone)
        assert sum(map(sum, parts)) == volumes_ul[name], "a run crosses the edge of a window"
        shares = [window.share for window in one.when]
        for part, share in zip(parts, [*shares, 1 - sum(shares)], strict=True):
            assert abs(sum(part) - volumes_ul[name] * share) <= 1.001
            assert not part or max(part) - min(part) <= 1
    return doses


@pytest.mark.parametrize("day", [SPRING, AUTUMN, SUMMER])
def test_the_example_plan_is_laid_on_days_of_23_24_and_25_hours(day: date) -> None:
    doses = check_day(LAGOON, day, LAGOON_UL, LISBON)
    numbers = {name: sum(dose.channel == name for dose in doses) for name in LAGOON.channels}
    assert numbers == {"alk": 24, "ca": 24, "mg": 2}
    assert max(evenness(LAGOON, day, doses, LISBON).values()) <= 1.5


def test_a_full_night_of_23_hours_is_laid() -> None:
    doses = check_day(FULL_NIGHT, SPRING, FULL_NIGHT_UL, LISBON)
    assert len(doses) == 48
    night = volume_by_window(FULL_NIGHT, "alk", doses, LISBON)[0]
    assert sum(night) == 46_902  # 70 % of 67,003 µL is 46,902.1


def test_doses_without_constraint_lie_at_their_even_times() -> None:
    one = plan(channel("alk", 24))
    doses = check_day(one, SUMMER, {"alk": 67_000}, LISBON)
    start = starts_at(SUMMER, LISBON)
    assert [dose.due_at - start for dose in doses] == [timedelta(minutes=30 + 60 * k) for k in range(24)]
    assert evenness(one, SUMMER, doses, LISBON) == {"alk": 1.0}


def test_two_channels_of_one_rhythm_part_by_half_the_gap_each() -> None:
    # By hand: both want :30. 20 min, 1 s of spare and the first run (2.4 s) lie between, half of it before :30.
    of = plan(channel("alk", 24), channel("ca", 24), apart=(Apart(("alk", "ca"), 1200.0),))
    doses = check_day(of, SUMMER, {"alk": 14_400, "ca": 24_000}, LISBON)
    start = starts_at(SUMMER, LISBON)
    for k in range(24):
        assert (doses[2 * k].channel, doses[2 * k + 1].channel) == ("alk", "ca")
        assert doses[2 * k].due_at - start == timedelta(minutes=30 + 60 * k) - timedelta(seconds=601.7)
        assert doses[2 * k + 1].due_at - start == timedelta(minutes=30 + 60 * k) + timedelta(seconds=601.7)


def test_evenness_is_the_longest_gap_over_the_ideal_one_in_window_time() -> None:
    # By hand: 12 h of night for 4 doses is 3 h each; the longest gap is 02:00 to 22:00, 7 h + 1 h of it at night.
    one = plan(channel("alk", 4, Window(NIGHT, 1.0)))
    start = starts_at(SUMMER, LISBON)
    doses = tuple(Dose("alk", 1000, start + timedelta(hours=hour), f"{hour}", 4.0, SUMMER) for hour in (1, 2, 22, 23))
    assert evenness(one, SUMMER, doses, LISBON) == {"alk": 8 / 3}


@pytest.mark.parametrize("zone_name", ZONES)
def test_every_clock_change_from_2024_to_2040_is_laid(zone_name: str) -> None:
    zone = ZoneInfo(zone_name)
    changes = clock_changes(zone, 2024, 2040)
    assert len(changes) >= 30
    for change in changes:
        middle = change.astimezone(zone).date()
        days = [middle + timedelta(days=k) for k in (-1, 0, 1)]
        lengths = [(day_bounds(day, zone)[1] - day_bounds(day, zone)[0]).total_seconds() / 3600 for day in days]
        jump_h = 0.5 if zone_name == "Australia/Lord_Howe" else 1.0
        assert sorted({24.0, *lengths}) in ([24.0 - jump_h, 24.0], [24.0, 24.0 + jump_h])
        laid: list[Dose] = []
        for day in days:
            laid += check_day(FULL_NIGHT, day, FULL_NIGHT_UL, zone)
            check_day(LAGOON, day, LAGOON_UL, zone)
        assert breaches(FULL_NIGHT, laid, zone) == []
        assert len({dose.slot for dose in laid}) == len(laid)


quarter_hours = st.integers(0, 95).map(lambda k: f"{k // 4:02d}:{k % 4 * 15:02d}")


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Two to four channels; a window, a quiet time and gap rules or none; short runs and long ones."""
    names = ["alk", "ca", "mg", "trace"][: draw(st.integers(2, 4))]
    channels = []
    for name in names:
        when = []
        if draw(st.booleans()):
            from_, to = draw(st.tuples(quarter_hours, quarter_hours).filter(lambda pair: pair[0] != pair[1]))
            when = [Window(span(from_, to), draw(st.integers(1, 10)) / 10)]
        flow = draw(st.sampled_from([50.0, 250.0, 1000.0]))
        channels.append(
            channel(name, draw(st.integers(1, 40)), *when, smallest_ul=200, dose_ul=30_000, flow_ul_per_s=flow)
        )
    rules = draw(
        st.lists(
            st.tuples(
                st.sampled_from(names), st.sampled_from(names), st.sampled_from([1.0, 90.0, 600.0, 1200.0, 2400.0])
            ),
            max_size=3,
        )
    )
    quiet = draw(st.lists(st.tuples(quarter_hours, quarter_hours), max_size=2))
    return plan(
        *channels,
        apart=tuple(Apart((a, b), gap) for a, b, gap in rules if a != b),
        quiet=tuple(span(a, b) for a, b in quiet if a < b and int(b[:2]) - int(a[:2]) < 4),
    )


#: Days on which the clock changes, or not; those of windows that vanish in part are among them.
days_of_note = st.sampled_from(
    [("Europe/Lisbon", SUMMER), ("Europe/Lisbon", SPRING), ("Europe/Lisbon", AUTUMN),
     ("Australia/Lord_Howe", date(2027, 4, 4)), ("Australia/Lord_Howe", date(2027, 10, 3)),
     ("America/Havana", date(2027, 3, 14)), ("America/Havana", date(2027, 11, 7)),
     ("America/Santiago", date(2027, 4, 3))]
)  # fmt: skip


def hold_any_plan(of: Plan, where: tuple[str, date], volumes_ul: list[int]) -> bool:
    zone, day = ZoneInfo(where[0]), where[1]
    asked = dict(zip(of.channels, volumes_ul, strict=False))
    laid: list[Dose] = []
    for on in (day, day + timedelta(days=1)):
        try:
            if any(
                in_jump(window.span.from_.isoformat(), on, zone) or in_jump(window.span.to.isoformat(), on, zone)
                for one in of.channels.values()
                for window in one.when
            ):
                # A window whose edge does not exist that day has no wall-clock oracle; all else is held.
                doses = lay_day(of, on, asked, flows(of), zone)
                assert volumes(doses) == {name: volume for name, volume in asked.items() if volume}
            else:
                doses = check_day(of, on, asked, zone)
        except CannotLay as refused:
            spoken_for(refused)
            return False
        assert doses == lay_day(of, on, asked, flows(of), zone)
        laid += doses
    assert breaches(of, laid, zone) == []
    return True


def spoken_for(refused: CannotLay) -> None:
    assert refused.reason.endswith(".")
    assert refused.cure.endswith(".")
    assert "fault of the timetable" not in refused.cure


def in_jump(local: str, day: date, zone: ZoneInfo) -> bool:
    naive = datetime.fromisoformat(f"{day}T{local}")
    return naive.replace(tzinfo=zone).astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive


@given(plans(), days_of_note, st.lists(st.integers(8_000, 60_000) | st.just(0), min_size=4, max_size=4))
def test_any_plan_is_laid_within_its_rules_or_refused_with_a_cure(
    of: Plan, where: tuple[str, date], volumes_ul: list[int]
) -> None:
    hold_any_plan(of, where, volumes_ul)


def test_a_gap_holds_over_a_dose_that_no_rule_joins() -> None:
    # alk, trace and ca at one target: trace lies between, and the gap from alk to ca is still the whole gap.
    of = plan(channel("alk", 24), channel("trace", 24), channel("ca", 24), apart=(Apart(("alk", "ca"), 1740.0),))
    check_day(of, SUMMER, {"alk": 67_000, "ca": 67_000, "trace": 20_000}, LISBON)


def test_a_gap_holds_over_a_dose_with_a_narrower_gap_of_its_own() -> None:
    # From alk over trace to ca the runs take 12 min, which is not the 20 min that alk and ca ask.
    rules = (Apart(("alk", "ca"), 1200.0), Apart(("alk", "trace"), 720.0))
    of = plan(channel("alk", 24), channel("trace", 24), channel("ca", 24), apart=rules)
    check_day(of, SUMMER, {"alk": 67_000, "ca": 67_000, "trace": 20_000}, LISBON)


def test_the_rest_of_the_day_keeps_out_of_a_window_s_repeated_hour() -> None:
    of = plan(channel("alk", 200, Window(span("01:30", "05:00"), 0.5), smallest_ul=100))
    check_day(of, AUTUMN, {"alk": 67_000}, LISBON)


def test_a_quiet_time_in_the_repeated_hour_lasts_from_its_first_to_its_second_occurrence() -> None:
    of = plan(channel("alk", 300, smallest_ul=100), quiet=(span("01:15", "01:45"),))
    doses = check_day(of, AUTUMN, {"alk": 67_000}, LISBON)
    quiet = datetime(2027, 10, 31, 0, 15, tzinfo=UTC), datetime(2027, 10, 31, 1, 45, tzinfo=UTC)
    assert not [dose for dose in doses if quiet[0] <= dose.due_at < quiet[1]]


def test_what_was_laid_is_proved_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    right = nearest_starts
    monkeypatch.setattr(
        "dosingd.layout.nearest_starts", lambda spacing: [*right(spacing)[:-1], right(spacing)[-2] + 60_000]
    )
    with pytest.raises(CannotLay, match="would break a gap or leave its window"):
        lay_day(FULL_NIGHT, SUMMER, FULL_NIGHT_UL, flows(FULL_NIGHT), LISBON)


def test_sixty_doses_of_two_channels_are_refused_with_numbers_that_fit() -> None:
    of = plan(channel("alk", 60), channel("ca", 60), apart=(Apart(("alk", "ca"), 1200.0),))
    asked = {"alk": 67_000, "ca": 67_000}
    with pytest.raises(CannotLay) as refused:
        lay_day(of, SUMMER, asked, flows(of), LISBON)
    # By hand: 120 runs of 4.468 s and 119 gaps of 20 min and the 1 s of spare are 39 h 51 min.
    assert refused.value.reason == (
        "alk and ca cannot both give 60 doses with 20 min between them: "
        "on 2027-06-01 between 00:10 and 23:50 39 h 51 min are needed, 23 h 39 min are there."
    )
    found = re.fullmatch(r"Lower doses to (\d+), or lower the gap to (\d+) min\.", refused.value.cure)
    assert found
    doses, gap = int(found[1]), int(found[2])

    def changed(doses: int, gap: int) -> Plan:
        return plan(channel("alk", doses), channel("ca", doses), apart=(Apart(("alk", "ca"), gap * 60.0),))

    check_day(changed(doses, 20), SUMMER, asked, LISBON)
    check_day(changed(60, gap), SUMMER, asked, LISBON)
    for nearly in (changed(doses + 1, 20), changed(60, gap + 1)):
        with pytest.raises(CannotLay):
            lay_day(nearly, SUMMER, asked, flows(nearly), LISBON)


def test_a_window_too_short_is_refused_with_a_share_that_fits() -> None:
    hour = span("12:00", "13:00")
    of = plan(
        channel("alk", 10, Window(hour, 0.9), dose_ul=50_000), channel("ca", 96), apart=(Apart(("alk", "ca"), 600.0),)
    )
    asked = {"alk": 50_000, "ca": 60_000}
    with pytest.raises(CannotLay) as refused:
        lay_day(of, SUMMER, asked, flows(of), LISBON)
    assert refused.value.reason.startswith("alk and ca cannot both give 10 and 96 doses with 10 min between them")
    assert re.search(r"lower|leave", refused.value.cure, re.IGNORECASE)


def test_a_window_inside_a_quiet_time_is_refused() -> None:
    of = plan(channel("alk", 4, Window(span("19:05", "19:25"), 0.5), dose_ul=9000), quiet=(span("19:00", "19:30"),))
    with pytest.raises(CannotLay, match="no run of 20 s of alk fits into the window 19:05 to 19:25"):
        lay_day(of, SUMMER, {"alk": 20_000}, flows(of), LISBON)


def test_doses_move_from_a_piece_that_is_too_full_to_the_window_s_other_piece() -> None:
    # Calcium fills the evening: the three hours before midnight hold fewer alkalinity doses than even times ask.
    of = plan(
        channel("alk", 30, Window(NIGHT, 1.0)),
        channel("ca", 6, Window(span("21:00", "00:00"), 1.0)),
        apart=(Apart(("alk", "ca"), 900.0),),
    )
    doses = check_day(of, SUMMER, {"alk": 60_000, "ca": 12_000}, LISBON)
    evening = [dose for dose in doses if dose.channel == "alk" and dose.due_at.astimezone(LISBON).hour >= 21]
    assert len(doses) == 36
    assert 0 < len(evening) < 7  # even times would ask for 7 or 8


def test_a_date_that_does_not_exist_is_refused() -> None:
    with pytest.raises(CannotLay, match="2011-12-30 does not exist in Pacific/Apia"):
        lay_day(LAGOON, date(2011, 12, 30), LAGOON_UL, flows(LAGOON), ZoneInfo("Pacific/Apia"))


def test_a_dose_within_the_pump_s_lag_is_never_laid() -> None:
    of = plan(channel("alk", 24, smallest_ul=1))
    doses = lay_day(of, SUMMER, {"alk": 3_000}, {"alk": Flow(250.0, 600.0)}, LISBON)
    assert [dose.volume_ul for dose in doses] == [750] * 4
    assert all(dose.run_s > 0 for dose in doses)


def test_a_channel_that_is_not_named_gets_none() -> None:
    assert {dose.channel for dose in lay_day(LAGOON, SUMMER, {"ca": 5_000}, flows(LAGOON), LISBON)} == {"ca"}


def test_a_span_is_laid_at_half_rate_without_windows_and_quiet_times_gaps_kept() -> None:
    doses = lay_span(LAGOON, 48 * 3600.0, LAGOON_UL, flows(LAGOON))
    assert {n: sum(d.volume_ul for d in doses if d.channel == n) for n in LAGOON_UL} == LAGOON_UL
    assert {n: sum(d.channel == n for d in doses) for n in LAGOON_UL} == {"alk": 24, "ca": 24, "mg": 2}
    ordered = sorted(doses, key=lambda dose: dose.offset_s)
    for k, one in enumerate(ordered):
        assert one.offset_s >= 600
        assert one.offset_s + one.run_s <= 48 * 3600 - 600
        for other in ordered[k + 1 :]:
            gap = 1200 if {one.channel, other.channel} in ({"alk", "ca"}, {"alk", "mg"}) else 0
            assert other.offset_s - one.offset_s - one.run_s >= gap
    # At most half a day's volume, and the one dose that an even spacing cannot split, in any 24 h.
    for first in ordered:
        given_ul = sum(
            d.volume_ul for d in doses if d.channel == "alk" and 0 <= d.offset_s - first.offset_s < 24 * 3600
        )
        assert given_ul <= LAGOON_UL["alk"] / 2 + 2_792


def test_quiet_until_is_the_end_of_the_quiet_time_that_a_run_would_touch() -> None:
    of = plan(channel("alk", 4), quiet=(span("19:00", "19:30"), span("23:00", "00:00"), span("00:00", "01:00")))
    start = starts_at(SUMMER, LISBON)

    def until(hours: float, run_s: float) -> float | None:
        found = quiet_until(of, start + timedelta(hours=hours), run_s, LISBON)
        return None if found is None else (found - start) / timedelta(hours=1)

    assert until(18.99, 36.0) is None  # it ends as the quiet time begins
    assert until(18.99, 36.1) == 19.5
    assert until(19.25, 1.0) == 19.5
    assert until(19.5, 1.0) is None
    assert until(23.5, 1.0) == 25.0  # quiet goes on over midnight
    assert until(24.5, 1.0) == 25.0


def test_two_channels_of_14400_doses_are_laid_within_their_gaps() -> None:
    of = plan(
        channel("alk", 14_400, smallest_ul=1), channel("ca", 14_400, smallest_ul=1), apart=(Apart(("alk", "ca"), 1.0),)
    )
    doses = lay_day(of, SUMMER, {"alk": 100_000, "ca": 100_000}, flows(of), LISBON)
    assert len(doses) == 28_800
    for one, other in pairwise(doses):
        assert one.channel != other.channel
        assert (other.due_at - one.due_at).total_seconds() - one.run_s >= 1.0


@pytest.mark.campaign
def test_many_plans_are_laid_within_their_rules_or_refused_with_a_cure() -> None:
    from hypothesis import settings

    @settings(max_examples=3000, deadline=None)
    @given(plans(), days_of_note, st.lists(st.integers(8_000, 60_000) | st.just(0), min_size=4, max_size=4))
    def hold(of: Plan, where: tuple[str, date], volumes_ul: list[int]) -> None:
        hold_any_plan(of, where, volumes_ul)

    hold()


def test_a_dose_before_a_quiet_time_leaves_two_seconds_for_a_late_start() -> None:
    noon = plan(channel("alk", 700, smallest_ul=50), quiet=(span("12:00", "12:30"),))
    doses = lay_day(noon, SUMMER, {"alk": 700 * 2500}, flows(noon), LISBON)
    quiet_at = datetime(2027, 6, 1, 11, 0, tzinfo=UTC)  # 12:00 in Lisbon's summer time
    last_end_at = max(one.due_at + timedelta(seconds=one.run_s) for one in doses if one.due_at < quiet_at)
    assert timedelta(seconds=2) <= quiet_at - last_end_at < timedelta(seconds=130)
    # Crowded up to the edge: 10 s runs as close as they go.
    full = plan(channel("alk", 143, Window(span("11:36", "12:00"), 1.0), smallest_ul=50), quiet=noon.quiet)
    crowded = lay_day(full, SUMMER, {"alk": 142 * 2500}, flows(full), LISBON)
    assert max(one.due_at + timedelta(seconds=one.run_s) for one in crowded) <= quiet_at - timedelta(seconds=2)
