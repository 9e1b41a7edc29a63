"""R2 and R9: time is proven by BOOTTIME, never by the wall clock."""

from __future__ import annotations

from dosingd.records import Row, Stamp, proven_ms_after
from tests.builders import reading


def _row(mono_s: float, proven_ms: int) -> Row:
    return Row(1, reading(mono_s), Stamp(), proven_ms)


def test_nothing_is_proven_before_the_first_row() -> None:
    assert proven_ms_after(None, reading(5_000.0)) == 0


def test_in_one_boot_boottime_is_proven() -> None:
    assert proven_ms_after(_row(100.0, 7_000), reading(160.5)) == 67_500  # 7,000 + 60.5 s


def test_in_another_boot_only_the_time_since_that_boot_is_proven() -> None:
    assert proven_ms_after(_row(100.0, 7_000), reading(30.0, boot="boot-2")) == 37_000


def test_boottime_that_goes_backwards_proves_nothing() -> None:
    assert proven_ms_after(_row(100.0, 7_000), reading(99.0)) == 7_000
    assert proven_ms_after(_row(100.0, 7_000), reading(-1.0, boot="boot-2")) == 7_000


def test_the_wall_clock_proves_nothing() -> None:
    assert proven_ms_after(_row(100.0, 7_000), reading(100.0, wall_s=1e9)) == 7_000
    assert proven_ms_after(_row(100.0, 7_000), reading(110.0, wall_s=-1e9)) == 17_000


def test_proven_time_is_rounded_down() -> None:
    assert proven_ms_after(_row(0.0, 0), reading(0.0019)) == 1
