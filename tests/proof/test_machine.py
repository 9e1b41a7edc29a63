"""Whatever order of schedule, hands, faults and clocks: no limit is passed in any true 24 hours.

A stateful machine drives the program; `oracle.py` judges it, in true time, by the pretend pumps' pulses.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from dosingd.records import Into, Outcome, Purpose
from tests.proof.plans import CHANNELS, Wish
from tests.proof.rig import PLACE, Fault, Rig

ZONES = ("Europe/Lisbon", "UTC", "Pacific/Auckland", "America/Los_Angeles", "Asia/Kathmandu")
channels = st.sampled_from(CHANNELS)
wishes = st.builds(
    Wish,
    channels=st.sampled_from([CHANNELS, CHANNELS, ("alk", "ca"), ("alk2", "ca", "mg"), ("alk", "alk2")]),
    limit=st.sampled_from([1.0, 1.0, 0.5, 2.0]),
    rise=st.sampled_from([1.0, 0.6, 1.8]),
    run=st.sampled_from([2.0, 1.0, 0.8]),
    daily=st.sampled_from([1.0, 0.4, 1.3]),
    doses=st.sampled_from([8, 4, 12]),
    gap_s=st.sampled_from([600.0, 60.0, 1500.0]),
    zone=st.sampled_from(ZONES),
    rtc=st.sampled_from([False, False, True]),
    blind=st.sampled_from([True, True, False]),
    quiet=st.sampled_from([False, False, True]),
)
flow_parts = st.sampled_from([1.0, 0.95, 0.8])
jumps = st.one_of(
    st.sampled_from([1.0, -1.0, 3.0, -3.0, 120.0, -120.0, 3600.0, -3600.0, 86_400.0, -86_400.0, 3.4e6, -3.4e6]),
    st.floats(-200_000.0, 200_000.0),
)
faults = st.builds(
    Fault,
    where=st.sampled_from(
        ["begun", "inserted", "committed", "witnessed", "mid run", "mid run", "mid run", "before on", "after on",
         "before off", "after off", "wall"]
    ),
    nth=st.integers(1, 6),
    part=st.sampled_from([0.0, 0.3, 0.99]),
    by_s=st.just(0.0),
    disk=st.booleans(),
    helper_s=st.sampled_from([0.1, 5.0, 600.0, None]),
    known=st.booleans(),
    down_s=st.sampled_from([1.0, 10.0, 60.0, 2000.0]),
    reboot=st.booleans(),
)  # fmt: skip


class Machine(RuleBasedStateMachine):
    total = 0

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp(prefix="proof-", dir=PLACE))
        self.rig: Rig | None = None

    @initialize(wish=wishes, full=st.booleans(), flow=flow_parts, synchronised=st.sampled_from([True, True, False]))
    def begin(self, wish: Wish, full: bool, flow: float, synchronised: bool) -> None:
        self.rig = Rig(self.place, wish, full=full, flows=dict.fromkeys(CHANNELS, flow), synchronised=synchronised)

    @property
    def it(self) -> Rig:
        Machine.total += 1
        assert self.rig is not None
        return self.rig

    @rule(hours=st.sampled_from([0.1, 2.0, 7.0, 14.0, 26.0]))
    def live(self, hours: float) -> None:
        self.it.live(hours * 3600)

    @rule(
        channel=channels,
        purpose=st.sampled_from([Purpose.MANUAL, Purpose.PRIME, Purpose.CALIBRATION]),
        into=st.sampled_from([Into.TANK, Into.CUP]),
        volume_ul=st.sampled_from([1, 300, 3_000, 5_000, 10_000, 15_000, 40_000, 90_000, 1_000_000]),
    )
    def by_hand(self, channel: str, purpose: Purpose, into: Into, volume_ul: int) -> None:
        self.it.ask(channel, purpose, into, volume_ul)

    @rule(
        channel=channels,
        into=st.sampled_from([Into.TANK, Into.TANK, Into.CUP]),
        every_s=st.sampled_from([1.0, 900.0, 3600.0]),
        times=st.integers(4, 30),
        part=st.sampled_from([1.0, 0.5, 0.21]),
    )
    def greedily(self, channel: str, into: Into, every_s: float, times: int, part: float) -> None:
        """Somebody gives as much as the gate lets through, again and again."""
        rig = self.it
        for _ in range(times):
            wish_ul = int(part * rig.oracle.keepers[-1][1].dose_ul.get(channel, 1000.0))
            answer = rig.ask(channel, Purpose.MANUAL, into, wish_ul)
            if answer is not None and answer.outcome is Outcome.REFUSED:
                room = answer.facts.get("room_ul")
                if isinstance(room, int) and room > 200:
                    rig.ask(channel, Purpose.MANUAL, into, room)
            rig.live(every_s)

    @rule(by_s=jumps)
    def wall_clock_jumps(self, by_s: float) -> None:
        self.it.clock.set_wall(by_s)

    @rule(synchronised=st.booleans())
    def synchronised(self, synchronised: bool) -> None:
        self.it.clock.synchronised = synchronised

    @rule(hours=st.sampled_from([13.0, 40.0, 70.0]), jump=st.booleans())
    def lives_without_a_clock(self, hours: float, jump: bool) -> None:
        rig = self.it
        before, rig.clock.synchronised = rig.clock.synchronised, False
        if jump:
            rig.clock.set_wall(-4000.0)
        rig.live(hours * 3600)
        rig.clock.synchronised = before

    @rule(part=st.sampled_from([0.0, 0.5, 0.999]))
    def boottime_falls_back(self, part: float) -> None:
        self.it.reset_boottime(part)

    @rule(down_s=st.sampled_from([1.0, 300.0, 7200.0, 200_000.0]), reboot=st.booleans())
    def restarts(self, down_s: float, reboot: bool) -> None:
        self.it.restart(down_s, reboot=reboot)

    @rule(wish=wishes)
    def restarts_with_another_plan(self, wish: Wish) -> None:
        self.it.restart(2.0, reboot=False, wish=wish)

    @rule(fault=faults, by_s=jumps)
    def something_will_fail(self, fault: Fault, by_s: float) -> None:
        fault = replace(fault, by_s=by_s if fault.where == "wall" else 0.0)
        self.it.fault = replace(fault)

    @rule(by_s=st.sampled_from([1.0, 3.0, 100.0, 530.0, 600.0]))
    def disk_will_be_slow(self, by_s: float) -> None:
        self.it.fault = Fault("witnessed", nth=1, by_s=by_s)

    @rule(wish=wishes)
    def reloads(self, wish: Wish) -> None:
        self.it.reload(wish)

    @rule(limit=st.sampled_from([0.5, 1.0, 2.0]), daily=st.sampled_from([0.3, 1.0, 1.3]))
    def changes_limits(self, limit: float, daily: float) -> None:
        rig = self.it
        rig.reload(replace(rig.wish, limit=limit, daily=daily))

    @rule(channel=channels, factor=st.sampled_from([1.0, 0.5, 2.0, 3.0]))
    def refills(self, channel: str, factor: float) -> None:
        self.it.refill(channel, factor)

    @rule(channel=channels, flow=flow_parts)
    def retubes_and_calibrates(self, channel: str, flow: float) -> None:
        self.it.calibrate(channel, flow)

    @rule(hours=st.sampled_from([0.5, 9.0]), restart=st.booleans())
    def is_held_for_a_while(self, hours: float, restart: bool) -> None:
        rig = self.it
        rig.hold()
        rig.ask("alk", Purpose.MANUAL, Into.TANK, 1000)
        if restart:
            rig.restart(1.0, reboot=False)
        rig.live(hours * 3600)
        rig.release()

    @rule(seconds=st.sampled_from([60.0, 7200.0, 14_400.0]))
    def is_paused(self, seconds: float) -> None:
        rig = self.it
        rig.pause(seconds)
        rig.ask("ca", Purpose.MANUAL, Into.TANK, 1000)

    @rule(hours=st.sampled_from([0.2, 5.0]))
    def an_old_ledger_is_put_back(self, hours: float) -> None:
        self.it.swap_ledger(hours * 3600)

    def teardown(self) -> None:
        try:
            if self.rig is not None:
                self.rig.fault = None
                self.rig.live(60.0)
                breaches = self.rig.oracle.breaches()
                assert not breaches, "\n".join(breaches[:10])
        finally:
            if self.rig is not None:
                self.rig.book.close()
                if self.rig.oracle.eye is not None:
                    self.rig.oracle.eye.close()
            shutil.rmtree(self.place, ignore_errors=True)


def test_no_true_24_hours_pass_a_limit_whatever_happens() -> None:
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=60,
            stateful_step_count=40,
            derandomize=True,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.campaign
@pytest.mark.parametrize("number", range(4))
def test_no_true_24_hours_pass_a_limit_in_a_long_campaign(number: int) -> None:
    Machine.total = 0
    run_state_machine_as_test(
        seed(20270328 + number)(Machine),
        settings=settings(
            max_examples=150,
            stateful_step_count=60,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    print(f"campaign {number}: {Machine.total} steps")
