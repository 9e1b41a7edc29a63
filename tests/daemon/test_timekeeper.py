"""The timekeeper, on the real scheduler: it wakes at the instant named last, and no more than that."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta, timezone

import pytest

from dosingd.clock import SystemClock
from dosingd.timekeeper import Timekeeper

CLOCK = SystemClock()
LONG_S = 20.0
HOUR = timedelta(hours=1)


class Woken:
    """How often it was woken, and when first."""

    def __init__(self) -> None:
        self.times = 0
        self.at_mono_s = 0.0
        self.came = threading.Event()

    def __call__(self) -> None:
        self.times += 1
        self.at_mono_s = CLOCK.now().mono_s
        self.came.set()


@pytest.fixture
def woken() -> Woken:
    return Woken()


@pytest.fixture
def keeper(woken: Woken) -> Iterator[Timekeeper]:
    keeper = Timekeeper(woken)
    keeper.start()
    yield keeper
    keeper.stop()


@pytest.mark.parametrize("ago", [timedelta(0), timedelta(seconds=2), timedelta(days=400)])
def test_an_instant_that_has_passed_wakes_at_once(keeper: Timekeeper, woken: Woken, ago: timedelta) -> None:
    keeper.wake_at(CLOCK.now().wall_at - ago)
    assert woken.came.wait(LONG_S)
    assert woken.times == 1


def test_it_wakes_at_the_instant_and_not_before(keeper: Timekeeper, woken: Woken) -> None:
    now = CLOCK.now()
    keeper.wake_at(now.wall_at + timedelta(seconds=0.2))
    assert woken.came.wait(LONG_S)
    assert woken.at_mono_s - now.mono_s >= 0.19


def test_a_later_instant_replaces_the_one_before(keeper: Timekeeper, woken: Woken) -> None:
    keeper.wake_at(CLOCK.now().wall_at + timedelta(seconds=0.1))
    keeper.wake_at(CLOCK.now().wall_at + HOUR)
    assert not woken.came.wait(0.3)


def test_a_sooner_instant_replaces_the_one_before(keeper: Timekeeper, woken: Woken) -> None:
    keeper.wake_at(CLOCK.now().wall_at + HOUR)
    keeper.wake_at(CLOCK.now().wall_at)
    assert woken.came.wait(LONG_S)


def test_an_instant_that_is_named_while_the_wake_up_before_is_put_away_is_not_lost(
    keeper: Timekeeper, woken: Woken
) -> None:
    for _ in range(300):
        woken.came.clear()
        keeper.wake_at(CLOCK.now().wall_at)
        assert woken.came.wait(LONG_S)
    assert woken.times == 300


def test_an_offset_is_no_other_instant(keeper: Timekeeper, woken: Woken) -> None:
    keeper.wake_at(CLOCK.now().wall_at.astimezone(timezone(timedelta(hours=-9))))
    assert woken.came.wait(LONG_S)
    woken.came.clear()
    keeper.wake_at((CLOCK.now().wall_at + HOUR).astimezone(timezone(timedelta(hours=9))))
    assert not woken.came.wait(0.1)


def test_an_instant_may_be_named_before_the_start(woken: Woken) -> None:
    keeper = Timekeeper(woken)
    keeper.wake_at(CLOCK.now().wall_at)
    assert not woken.came.wait(0.05)
    keeper.start()
    assert woken.came.wait(LONG_S)
    keeper.stop()


def test_a_stopped_timekeeper_wakes_nobody_and_may_be_stopped_again(woken: Woken) -> None:
    keeper = Timekeeper(woken)
    keeper.start()
    keeper.wake_at(CLOCK.now().wall_at + timedelta(seconds=0.1))
    keeper.stop()
    keeper.stop()
    assert not woken.came.wait(0.3)
