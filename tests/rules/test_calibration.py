"""R12: runs are rounded down, what is booked is rounded up."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dosingd.calibration import Flow, run_s_from_volume, volume_ul_from_run_s


def test_a_run_is_rounded_down_to_milliseconds() -> None:
    assert run_s_from_volume(1_000, Flow(300.0)) == 3.333  # 3.3333
    assert run_s_from_volume(2_000, Flow(300.0)) == 6.666  # 6.6667


def test_a_booked_volume_is_rounded_up() -> None:
    assert volume_ul_from_run_s(3.333, Flow(300.0)) == 1_000  # 999.9
    assert volume_ul_from_run_s(3.3301, Flow(300.0)) == 1_000  # 999.03
    assert volume_ul_from_run_s(3.33, Flow(300.0)) == 999


def test_the_lag_is_taken_off_the_run_and_counted_in_the_volume() -> None:
    assert run_s_from_volume(1_000, Flow(100.0, 30.0)) == 9.7
    assert volume_ul_from_run_s(9.7, Flow(100.0, 30.0)) == 1_000
    assert run_s_from_volume(1_000, Flow(100.0, -30.0)) == 10.3


def test_a_lag_above_the_volume_runs_not_at_all() -> None:
    assert run_s_from_volume(20, Flow(100.0, 30.0)) == 0.0


def test_no_run_gives_nothing_and_no_run_gives_less_than_nothing() -> None:
    assert volume_ul_from_run_s(0.0, Flow(100.0, 30.0)) == 0
    assert volume_ul_from_run_s(-1.0, Flow(100.0)) == 0
    assert volume_ul_from_run_s(0.1, Flow(100.0, -30.0)) == 0


@given(st.integers(1, 200_000), st.floats(5.0, 5_000.0))
def test_a_run_never_gives_more_than_asked(volume_ul: int, ul_per_s: float) -> None:
    run_s = run_s_from_volume(volume_ul, Flow(ul_per_s))
    assert run_s * ul_per_s <= volume_ul + 1e-6 * ul_per_s
    assert run_s * ul_per_s > volume_ul - ul_per_s / 999
