"""R2: only elapsed time earns allowance."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.allowance import Bucket, cup_bucket, day_bucket, smallest_day_limit_ul
from dosingd.gate import COMMIT_S, LONGEST_LEASE_S

SPAN_MS = 87_000_000


def test_the_depth_is_a_quarter_of_the_limit_and_a_new_bucket_is_empty() -> None:
    bucket = day_bucket(40_000, 0)
    assert (bucket.depth_m, bucket.level_m) == (10_000_000, 0)  # 40 mL / 4 in thousandths of a µL


def test_three_quarters_of_the_limit_are_earned_in_87000_s() -> None:
    deep = Bucket(10**12, day_bucket(40_000, 0).fill_m, 0, 0)  # never clipped
    assert deep.level_at_m(SPAN_MS) == 30_000_000  # 40 mL * 3/4
    assert deep.level_at_m(SPAN_MS // 3) == 10_000_000
    assert deep.level_at_m(SPAN_MS // 3 - 1) == 9_999_999  # rounded down


def test_a_level_never_passes_the_depth() -> None:
    assert day_bucket(40_000, 0).level_at_m(10 * SPAN_MS) == 10_000_000
    assert day_bucket(40_000, 0, full=True).level_at_m(1) == 10_000_000


def test_a_whole_reservation_is_taken_and_a_level_may_go_negative() -> None:
    bucket = day_bucket(40_000, 0, full=True).taken(14_000, 0)
    assert bucket.level_m == -4_000_000  # 10 - 14 mL
    # Back at zero after 4 of the 30 mL that a span earns: 4/30 * 87,000 s = 11,600 s.
    assert bucket.level_at_m(11_600_000) == 0
    assert bucket.level_at_m(11_599_000) < 0


def test_what_was_earned_counts_once() -> None:
    bucket = day_bucket(40_000, 0).taken(0, SPAN_MS // 6)  # 5 mL earned
    assert bucket.level_m == 5_000_000
    assert bucket.level_at_m(SPAN_MS // 6) == 5_000_000
    assert bucket.given_back(0, SPAN_MS // 6 + SPAN_MS // 30).level_m == 6_000_000  # and 1 mL more


def test_time_that_goes_backwards_earns_and_costs_nothing() -> None:
    assert day_bucket(40_000, 5_000_000).taken(1_000, 5_000_000).level_at_m(0) == -1_000_000


def test_giving_back_is_clipped_to_the_depth() -> None:
    full = day_bucket(40_000, 0, full=True)
    assert full.taken(3_000, 0).given_back(1_000, 0).level_m == 8_000_000  # 10 - 3 + 1
    assert full.given_back(1_000, 0).level_m == 10_000_000


def test_giving_back_a_negative_amount_takes_more() -> None:
    assert day_bucket(40_000, 0, full=True).given_back(-12_000, 0).level_m == -2_000_000


def test_another_limit_keeps_the_level_and_clips_it() -> None:
    had = day_bucket(40_000, 0, full=True).taken(4_000, 0)  # 6 mL
    smaller = had.resized(day_bucket(20_000, 0), 0)
    assert (smaller.depth_m, smaller.level_m) == (5_000_000, 5_000_000)  # clipped to 20/4
    larger = had.resized(day_bucket(400_000, 0, full=True), 0)
    assert (larger.depth_m, larger.level_m) == (100_000_000, 6_000_000)  # a larger limit is no gift
    assert larger.fill_m == 300_000_000


def test_another_limit_keeps_a_debt() -> None:
    had = day_bucket(40_000, 0).taken(4_000, 0)
    assert had.resized(day_bucket(400_000, 0), 0).level_m == -4_000_000


def test_another_limit_is_reckoned_at_the_old_speed_until_then() -> None:
    had = day_bucket(40_000, 0).resized(day_bucket(400_000, 0), SPAN_MS // 30)
    assert had.level_m == 1_000_000  # 30 mL/span * 1/30, not 300 * 1/30
    assert had.at_proven_ms == SPAN_MS // 30


def test_an_amount_fits_when_the_level_reaches_it() -> None:
    bucket = day_bucket(40_000, 0)
    wait_ms = bucket.fits_in_ms(3_000, 0)
    assert wait_ms == 8_700_000  # 3 of 30 mL a span
    assert bucket.level_at_m(wait_ms) == 3_000_000
    assert bucket.level_at_m(wait_ms - 1) < 3_000_000
    assert day_bucket(40_000, 0, full=True).fits_in_ms(10_000, 0) == 0


def test_an_amount_above_the_depth_never_fits() -> None:
    assert day_bucket(40_000, 0, full=True).fits_in_ms(10_001, 0) is None


@given(st.integers(4, 10**6), st.integers(0, 10**6), st.integers(0, 10**8))
def test_the_wait_is_the_first_millisecond_that_is_enough(limit: int, amount: int, earlier_ms: int) -> None:
    bucket = day_bucket(limit, 0).taken(amount // 3, earlier_ms)
    wait_ms = bucket.fits_in_ms(amount, earlier_ms)
    if wait_ms is None:
        assert amount > limit / 4
        return
    assert bucket.level_at_m(earlier_ms + wait_ms) >= amount * 1000
    assert wait_ms == 0 or bucket.level_at_m(earlier_ms + wait_ms - 1) < amount * 1000


def test_a_cup_bucket_fills_by_its_depth_in_87000_s() -> None:
    empty, full = cup_bucket(30_000, 0), cup_bucket(30_000, 0, full=True)
    assert (empty.depth_m, empty.level_m, full.level_m) == (30_000_000, 0, 30_000_000)
    assert empty.level_at_m(SPAN_MS) == 30_000_000
    assert empty.level_at_m(SPAN_MS // 3) == 10_000_000


def _worst_true_day(limit: int, step_s: int, delay_s: int) -> int:
    """The most a greedy taker gets into the tank in 86,400 s, at once or with every reservation's run ended as late as
    allowed. Greedy is the worst there is: what is left in a full bucket is lost."""
    bucket, taken = day_bucket(limit, 0, full=True), []
    for second in range(0, 3 * 86_400, step_s):
        room = bucket.level_at_m(second * 1000) // 1000
        if room > 0:
            bucket = bucket.taken(room, second * 1000)
            taken.append((second, room))
    worst = 0
    for begin in range(0, 86_400 + step_s, step_s):
        # Runs of reservations from before the window may end in it: by `delay_s`.
        worst = max(worst, sum(room for at, room in taken if begin - delay_s <= at < begin + 86_400))
    return worst


@pytest.mark.parametrize("step_s", [60, 180, 540])
def test_no_taker_gets_the_whole_limit_in_a_true_day(step_s: int) -> None:
    worst = _worst_true_day(1_000_000, step_s, 540)
    assert worst < 1_000_000  # 1/4 + 3/4 * 86,940/87,000 = 0.99948
    assert worst > 990_000  # and the bound is no looser than it must be


@given(st.lists(st.tuples(st.integers(0, 40_000_000), st.integers(1, 200_000)), min_size=1, max_size=40))
def test_any_taker_of_any_amounts_stays_below_the_limit(pairs: list[tuple[int, int]]) -> None:
    limit, bucket, now, taken = 1_000_000, day_bucket(1_000_000, 0, full=True), 0, []
    for wait_ms, amount in pairs:
        now += wait_ms
        if bucket.level_at_m(now) >= amount * 1000:
            bucket = bucket.taken(amount, now)
            taken.append((now, amount))
    for start, _ in taken:
        assert sum(amount for at, amount in taken if start <= at <= start + 86_400_000 + 540_000) < limit


def test_from_a_reservation_to_its_latest_end_are_540_s_at_most() -> None:
    assert LONGEST_LEASE_S + COMMIT_S == 540.0
    # Depth, and what a day and 540 s fill: below the whole limit.
    assert 0.25 + 0.75 * (86_400 + 540) / 87_000 < 1


def _smallest_by_windows(takes: list[tuple[float, int, int]]) -> float:
    """Closed form: a dose fits when its reservation and all that was given since any earlier dose fit into a depth and
    what the time between fills; so the limit is the largest (sum / (1/4 + 3/4 * dt / 87,000 s)) over all windows."""
    worst = 0.0
    for last, (end_s, _, reserved) in enumerate(takes):
        total = float(reserved)
        for first in range(last, -1, -1):
            if first < last:
                total += takes[first][1]
            worst = max(worst, total / (0.25 + 0.75 * (end_s - takes[first][0]) / 87_000))
    return worst


@given(
    st.lists(st.tuples(st.integers(1, 20_000), st.integers(100, 9_000), st.integers(0, 400)), min_size=1, max_size=30)
)
def test_the_smallest_day_limit_is_the_fullest_window(steps: list[tuple[int, int, int]]) -> None:
    takes, now = [], 0
    for gap_s, given_ul, spare_ul in steps:
        now += gap_s
        takes.append((float(now), given_ul, given_ul + spare_ul))
    smallest = smallest_day_limit_ul(takes)
    # Rounding down what time earns costs a thousandth of a µL a dose at most.
    assert 0 <= smallest - _smallest_by_windows(takes) <= 1.5


def test_the_smallest_day_limit_of_hourly_doses() -> None:
    takes = [(hour * 3600.0, 1_000, 1_000) for hour in range(24)]
    # 24 mL in 23 h: 24 / (1/4 + 3/4 * 82,800/87,000) = 24 / 0.963793 = 24.902 mL; one dose alone would ask 4 mL.
    assert smallest_day_limit_ul(takes) == 24_902
    assert smallest_day_limit_ul(takes[:1]) == 4_000
    assert smallest_day_limit_ul([]) == 0


def test_the_smallest_day_limit_takes_what_is_reserved_and_books_what_is_given() -> None:
    # Each asks for 2 mL, gives 1: the second needs 1 + 2 = 3 mL at once, a depth of 3, a limit of 12.
    assert smallest_day_limit_ul([(0.0, 1_000, 2_000), (0.0, 1_000, 2_000)]) == 12_000
