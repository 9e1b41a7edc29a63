"""The system's clocks, as far as they can be looked at without setting them."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from dosingd.clock import SystemClock


def test_boottime_goes_on_and_the_boot_stays_the_same(tmp_path: Path) -> None:
    clock = SystemClock(tmp_path / "synchronised")
    one, other = clock.now(), clock.now()
    assert one.boot_id == other.boot_id
    assert other.mono_s >= one.mono_s > 0
    assert one.wall_at.utcoffset() is not None


@pytest.mark.parametrize(("told", "in_step"), [(0, True), (1, True), (4, True), (5, False), (-1, False)])
def test_the_clock_is_synchronised_when_the_kernel_says_so(tmp_path: Path, told: int, in_step: bool) -> None:
    # adjtimex(2): TIME_OK 0, leap second states 1 to 4, TIME_ERROR 5 while unsynchronised, -1 when it may not be asked.
    clock = SystemClock(tmp_path / "synchronised")
    clock._adjtimex = lambda _: told
    assert clock.now().synchronised is in_step


def test_the_clock_is_synchronised_when_systemd_s_file_is_there(tmp_path: Path) -> None:
    # systemd-timesyncd(8): /run/systemd/timesync/synchronized is made when the clock was first synchronised.
    file = tmp_path / "synchronised"
    clock = SystemClock(file)
    clock._adjtimex = lambda _: -1
    assert not clock.now().synchronised
    file.touch()
    assert clock.now().synchronised


def test_a_wait_ends_at_once_when_it_is_interrupted(tmp_path: Path) -> None:
    clock = SystemClock(tmp_path / "synchronised")
    cut = threading.Event()
    cut.set()
    before = clock.now().mono_s
    assert not clock.wait_until_mono_s(before + 60.0, cut)
    assert clock.now().mono_s - before < 10.0


def test_a_time_that_has_passed_is_not_waited_for(tmp_path: Path) -> None:
    clock = SystemClock(tmp_path / "synchronised")
    assert clock.wait_until_mono_s(clock.now().mono_s - 1.0)
