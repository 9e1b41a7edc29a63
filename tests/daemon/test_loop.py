"""The control loop in virtual time: it alone forces pumps off, feeds the watchdog and watches the clock."""

from __future__ import annotations

import pytest

from dosingd.clock import VirtualClock
from dosingd.cut import Cut
from dosingd.daemon.loop import OVERDUE_S, STUCK_S, TURN_S, ControlLoop
from dosingd.leases import LEASE_GRACE_S, Lease, Leases
from dosingd.pumps.bench import BenchPump
from tests.builders import START_AT


class Duty:
    """The turn thread as the loop sees it."""

    def __init__(self) -> None:
        self.next_mono_s = 1e9
        self.alive_mono_s = 1000.0
        self.woken = 0

    def wake(self) -> None:
        self.woken += 1


class Bench:
    """A loop with two pumps, and everything it does written down."""

    def __init__(self, feed_every_s: float | None = 1.0) -> None:
        self.clock = VirtualClock(START_AT)
        self.cut, self.duty = Cut(), Duty()
        self.log: list[tuple[str, bool]] = []
        self.pumps = {name: BenchPump(name, lambda name, on: self.log.append((name, on))) for name in ("alk", "ca")}
        self.keep_alive: BenchPump | None = None
        self.leases = Leases()
        self.held: list[tuple[str, str]] = []
        self.fed: list[float] = []
        self.said: list[tuple[str, str]] = []
        self.loop = ControlLoop(
            self.clock,
            self.cut,
            self.duty,
            pumps=lambda: self.pumps,
            leases=lambda: self.leases,
            keep_alive=lambda: self.keep_alive,
            hold=lambda why, reason: self.held.append((why, reason)),
            feed=lambda: self.fed.append(self.clock.mono_s),
            feed_every_s=feed_every_s,
            say=lambda priority, text: self.said.append((priority, text)),
        )

    def run_for(self, seconds: float) -> None:
        """Turn after turn, as the daemon makes them."""
        until = self.clock.mono_s + seconds
        while self.clock.mono_s < until:
            self.duty.alive_mono_s = self.clock.mono_s
            self.clock.wait_until_mono_s(min(until, self.loop.turn()))
        self.loop.turn()

    def lease(self, seconds: float, name: str = "alk") -> None:
        now = self.clock.mono_s
        self.leases = self.leases.granted(Lease(name, now, now + seconds))
        self.pumps[name].on()


def test_a_pump_that_is_on_without_a_lease_is_forced_off() -> None:
    bench = Bench()
    bench.pumps["ca"].on()
    bench.loop.turn()
    assert bench.log == [("ca", True), ("ca", False)]


def test_a_pump_under_a_lease_is_left_alone_and_is_off_at_the_lease_s_end() -> None:
    bench = Bench()
    bench.lease(3.1)
    bench.run_for(3.0)
    assert bench.pumps["alk"].is_on
    bench.run_for(0.11)
    assert not bench.pumps["alk"].is_on, "whatever became of the thread that switched it on"


def test_the_next_turn_comes_when_the_lease_ends() -> None:
    bench = Bench()
    bench.lease(0.1)
    assert bench.loop.turn() == pytest.approx(bench.clock.mono_s + 0.1)
    bench.clock.pass_s(0.11)
    assert bench.loop.turn() == pytest.approx(bench.clock.mono_s + TURN_S)


def test_a_lease_of_another_channel_allows_nothing() -> None:
    bench = Bench()
    bench.lease(10.0)
    bench.pumps["ca"].on()
    bench.loop.turn()
    assert not bench.pumps["ca"].is_on
    assert bench.pumps["alk"].is_on


def test_a_lease_that_is_outlived_latches_the_rig_once_and_starves_the_watchdog() -> None:
    bench = Bench()
    bench.lease(2.0)
    bench.run_for(2.0 + LEASE_GRACE_S)
    assert bench.held == []
    fed = len(bench.fed)
    bench.run_for(10.0)
    assert len(bench.fed) == fed, "systemd ends a daemon whose turn thread hangs with its lease"
    assert [reason for _, reason in bench.held] == ["lease"]
    assert bench.held[0][0].startswith("alk: its run was not over")
    assert bench.cut.event.is_set(), "no pump runs until the latch is in the ledger"
    assert bench.said[0][0] == "error"


def test_the_watchdog_is_fed_again_when_the_turn_thread_came_back() -> None:
    bench = Bench()
    bench.lease(1.0)
    bench.run_for(5.0)
    fed = len(bench.fed)
    bench.leases = Leases()
    bench.run_for(2.0)
    assert len(bench.fed) >= fed + 2


def test_the_watchdog_is_fed_as_often_as_was_asked() -> None:
    bench = Bench(feed_every_s=1.0)
    bench.run_for(10.0)
    assert 9 <= len(bench.fed) <= 11
    assert max(after - before for before, after in zip(bench.fed, bench.fed[1:], strict=False)) <= 1.0 + TURN_S


def test_nobody_is_fed_where_there_is_no_watchdog() -> None:
    bench = Bench(feed_every_s=None)
    bench.run_for(5.0)
    assert bench.fed == []


def test_a_turn_thread_without_a_sign_of_life_starves_the_watchdog() -> None:
    bench = Bench()
    bench.duty.alive_mono_s = bench.clock.mono_s
    bench.clock.pass_s(STUCK_S - 1)
    bench.loop.turn()
    fed = len(bench.fed)
    assert fed == 1
    for _ in range(20):
        bench.clock.pass_s(1.0)
        bench.loop.turn()
    assert len(bench.fed) == fed + 1
    assert [text for _, text in bench.said if "stuck" in text] == [
        "The turn thread is stuck: the watchdog is not fed any more."
    ]


def test_a_long_run_is_no_stuck_turn_thread() -> None:
    bench = Bench()
    bench.lease(STUCK_S + 100)
    bench.clock.pass_s(STUCK_S + 50)
    bench.loop.turn()
    assert bench.fed


def test_the_keep_alive_line_changes_its_level_at_each_turn_while_all_is_well() -> None:
    bench = Bench()
    pulses: list[bool] = []
    bench.keep_alive = BenchPump("keep-alive", lambda _, on: pulses.append(on))
    bench.run_for(2.0)
    assert len(pulses) >= 8
    assert pulses == [number % 2 == 0 for number in range(len(pulses))]


def test_the_keep_alive_pulses_end_when_a_lease_is_outlived() -> None:
    bench = Bench()
    pulses: list[bool] = []
    bench.keep_alive = BenchPump("keep-alive", lambda _, on: pulses.append(on))
    bench.lease(1.0)
    bench.run_for(1.5)
    made = len(pulses)
    bench.run_for(5.0)
    assert len(pulses) == made, "then the external cut-off takes the pumps' supply away"


def test_a_clock_that_is_set_wakes_the_turn_thread_once() -> None:
    for by_s in (3600.0, -3600.0, 2.5, -2.5):
        bench = Bench()
        bench.run_for(1.0)
        bench.clock.set_wall(by_s)
        bench.run_for(2.0)
        assert bench.duty.woken == 1, by_s


def test_a_clock_that_is_slewed_wakes_nobody_before_two_seconds() -> None:
    bench = Bench()
    bench.run_for(1.0)
    for _ in range(19):
        bench.clock.set_wall(0.1)
        bench.run_for(0.5)
    assert bench.duty.woken == 0
    for _ in range(2):
        bench.clock.set_wall(0.1)
        bench.run_for(0.5)
    assert bench.duty.woken == 1, "small steps add up"


def test_a_wake_up_that_did_not_come_is_made_up_for() -> None:
    bench = Bench()
    bench.duty.next_mono_s = bench.clock.mono_s + 10.0
    bench.run_for(10.0 + OVERDUE_S)
    assert bench.duty.woken == 0
    bench.run_for(TURN_S)
    assert bench.duty.woken >= 1


def test_during_a_run_the_turn_thread_is_not_woken_for_what_it_cannot_do_yet() -> None:
    bench = Bench()
    bench.lease(30.0)
    bench.duty.next_mono_s = bench.clock.mono_s
    bench.run_for(20.0)
    assert bench.duty.woken == 0


def test_a_cut_forces_off_what_has_a_good_lease() -> None:
    bench = Bench()
    bench.lease(30.0)
    bench.cut.make("hold")
    bench.loop.turn()
    assert not bench.pumps["alk"].is_on


class Broken(BenchPump):
    """A line that does not answer."""

    def off(self) -> None:
        raise OSError("no such line")


def test_a_line_that_fails_keeps_no_other_one_on_and_is_said_once() -> None:
    bench = Bench()
    bench.pumps = {"alk": Broken("alk", lambda _, __: None), "ca": bench.pumps["ca"]}
    for pump in bench.pumps.values():
        pump.on()
    bench.run_for(3.0)
    assert not bench.pumps["ca"].is_on
    assert [text for _, text in bench.said] == [
        "alk: its line could not be driven low: no such line. Switch the pump's supply off.",
        "alk: its line reads high and cannot be driven low. Switch the pump's supply off.",
    ]


class Stuck(BenchPump):
    """A line that takes an `off` without a word and stays high."""

    loose = True

    def off(self) -> None:
        if not self.loose:
            super().off()


def test_a_line_that_stays_high_without_a_lease_latches_the_rig_and_starves_what_watches() -> None:
    bench = Bench()
    pulses: list[bool] = []
    bench.keep_alive = BenchPump("keep-alive", lambda _, on: pulses.append(on))
    stuck = Stuck("alk", lambda _, __: None)
    bench.pumps = {"alk": stuck, "ca": bench.pumps["ca"]}
    stuck.on()
    bench.run_for(5.0)
    assert [reason for _, reason in bench.held] == ["line"]
    assert bench.held[0][0].startswith("alk: its line reads high and cannot be driven low.")
    assert bench.cut.event.is_set()
    assert (bench.fed, pulses) == ([], []), "systemd starts the daemon anew, and the cut-off takes the supply away"
    stuck.loose = False
    bench.run_for(3.0)
    assert not stuck.is_on
    assert bench.fed
    assert pulses


def test_a_line_that_cannot_be_read_counts_as_high() -> None:
    class Unread(BenchPump):
        @property
        def is_on(self) -> bool:
            raise OSError("no such line")

    bench = Bench()
    bench.pumps = {"alk": Unread("alk", lambda _, __: None)}
    bench.loop.turn()
    assert [reason for _, reason in bench.held] == ["line"]
    assert bench.fed == []


def test_a_run_that_begins_in_the_middle_of_a_turn_is_left_alone() -> None:
    bench = Bench()

    class Beginning(BenchPump):
        """Its lease is granted, and its line goes high, while the loop looks at the line before it."""

        @property
        def is_on(self) -> bool:
            if not bench.leases.current:
                bench.lease(10.0, "ca")
            return super().is_on

    bench.pumps = {"alk": Beginning("alk", lambda _, __: None), "ca": bench.pumps["ca"]}
    bench.loop.turn()
    assert bench.log == [("ca", True)]


def test_a_cut_stands_until_each_of_its_reasons_is_mended() -> None:
    cut = Cut()
    cut.make("hold")
    cut.make("hold")
    cut.make("lease")
    for reason in ("hold", "lease"):
        cut.mend(reason)
        assert cut.event.is_set()
    cut.mend("hold")
    assert not cut.event.is_set()
    cut.mend("hold")
    cut.make("pause")
    assert cut.event.is_set(), "what was never made cannot be mended ahead"
