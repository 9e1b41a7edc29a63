"""The bell that wakes the control loop: from any thread, from a signal, and never waiting."""

from __future__ import annotations

import os
import select
import signal
import threading
from collections.abc import Iterator

import pytest

from dosingd.bell import Bell
from dosingd.clock import SystemClock

CLOCK = SystemClock()
LONG_S = 20.0


@pytest.fixture
def bell() -> Iterator[Bell]:
    bell = Bell()
    yield bell
    bell.close()


def waited_s(bell: Bell, seconds: float) -> float:
    before = CLOCK.now().mono_s
    bell.wait(seconds)
    return CLOCK.now().mono_s - before


def test_a_ring_ends_the_wait(bell: Bell) -> None:
    ringer = threading.Timer(0.02, bell.ring)
    ringer.start()
    assert waited_s(bell, LONG_S) < LONG_S / 2
    ringer.join()


def test_a_ring_before_the_wait_ends_the_next_one(bell: Bell) -> None:
    bell.ring()
    assert waited_s(bell, LONG_S) < LONG_S / 2


def test_all_rings_before_a_wait_are_one(bell: Bell) -> None:
    for _ in range(10_000):
        bell.ring()
    assert waited_s(bell, LONG_S) < LONG_S / 2
    assert waited_s(bell, 0.05) >= 0.05


def test_a_bell_that_nobody_hears_makes_nobody_wait(bell: Bell) -> None:
    done = threading.Event()

    def ring() -> None:
        for _ in range(100_000):
            bell.ring()
        done.set()

    threading.Thread(target=ring, daemon=True).start()
    assert done.wait(LONG_S)
    assert waited_s(bell, LONG_S) < LONG_S / 2


@pytest.mark.parametrize("seconds", [0.0, -5.0])
def test_a_time_that_has_passed_is_not_waited_for(bell: Bell, seconds: float) -> None:
    assert waited_s(bell, seconds) < LONG_S / 2


def test_without_a_ring_it_waits_so_long(bell: Bell) -> None:
    assert 0.03 <= waited_s(bell, 0.03) < LONG_S / 2


def test_a_signal_rings_and_says_its_number(bell: Bell) -> None:
    came: list[int] = []
    former = signal.getsignal(signal.SIGUSR1)
    bell.listen_to((signal.SIGUSR1,), came.append)
    try:
        sender = threading.Timer(0.02, lambda: os.kill(os.getpid(), signal.SIGUSR1))
        sender.start()
        assert waited_s(bell, LONG_S) < LONG_S / 2
        sender.join()
        assert came == [signal.SIGUSR1]
    finally:
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGUSR1, former)


def test_after_closing_a_ring_harms_nobody_and_no_signal_rings() -> None:
    bell = Bell()
    bell.listen_to((), lambda number: None)
    bell.close()
    assert signal.set_wakeup_fd(-1) == -1
    bell.ring()


def test_after_closing_a_late_signal_is_ignored_and_not_left_to_a_handler() -> None:
    """A handler of Python's own gives way to the kernel's at the interpreter's end, and a late one would be its end."""
    former = signal.getsignal(signal.SIGUSR1)
    came: list[int] = []
    bell = Bell()
    bell.listen_to((signal.SIGUSR1,), came.append)
    try:
        bell.close()
        assert signal.getsignal(signal.SIGUSR1) is signal.SIG_IGN
        os.kill(os.getpid(), signal.SIGUSR1)
        assert came == []
    finally:
        signal.signal(signal.SIGUSR1, former)


def test_a_bell_of_another_thread_leaves_the_signals_alone() -> None:
    """The control loop has its own, and only the main thread may touch what wakes it."""
    mine, other = Bell(), Bell()
    mine.listen_to((), lambda number: None)
    thread = threading.Thread(target=other.close)
    thread.start()
    thread.join()
    other.ring()
    other.hush()
    left = signal.set_wakeup_fd(-1)
    mine.close()
    assert left != -1


def test_a_hushed_bell_is_quiet_until_it_rings_again(bell: Bell) -> None:
    for _ in range(3):
        bell.ring()
    bell.hush()
    assert select.select([bell], [], [], 0)[0] == []
    bell.ring()
    assert select.select([bell], [], [], 0)[0] == [bell]
