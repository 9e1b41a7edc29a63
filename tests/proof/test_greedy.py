"""Somebody who always asks for as much as there is comes close to every limit, and never past it.

Without this the machine's "no limit was passed" could be true because nothing ever came near one.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from dosingd.records import Into, Outcome, Purpose
from tests.proof.oracle import Oracle, worst_excess
from tests.proof.plans import CHANNELS, Wish
from tests.proof.rig import PLACE, Fault, Rig


@pytest.fixture
def place() -> Iterator[Path]:
    """A directory of its own, in memory where there is one: every row is synced."""
    with TemporaryDirectory(prefix="proof-", dir=PLACE) as name:
        yield Path(name)


def made(place: Path, wish: Wish, flow: float = 1.0, *, full: bool = True) -> Rig:
    return Rig(place, wish, full=full, flows=dict.fromkeys(CHANNELS, flow), synchronised=False)


def greedy(rig: Rig, channels: tuple[str, ...], into: Into, hours: int, every_s: float = 300.0) -> None:
    """Every few minutes the largest volume that the gate says there is room for."""
    end_s = rig.clock.true_s + hours * 3600
    while rig.clock.true_s < end_s:
        for channel in channels:
            answer = rig.ask(channel, Purpose.MANUAL, into, 10_000)
            if answer is not None and answer.outcome is Outcome.REFUSED:
                room_ul = answer.facts.get("room_ul")
                if isinstance(room_ul, int) and room_ul >= 200:
                    rig.ask(channel, Purpose.MANUAL, into, room_ul)
        rig.live(every_s)


def close(rig: Rig) -> Oracle:
    breaches = rig.oracle.breaches()
    rig.stop()
    assert breaches == []
    return rig.oracle


def fullest(oracle: Oracle, channel: str, into: str = "tank", *, seconds: bool = False) -> float:
    spans = [
        (pulse.start_s, pulse.end_s, 1.0 if seconds else pulse.ul_per_s)
        for pulse in oracle.pulses
        if pulse.channel == channel and pulse.into == into
    ]
    return worst_excess(spans, [(0.0, 0.0)])[2]


def test_the_day_limit_is_reached_and_not_passed(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "ca"), rise=9.0))
    greedy(rig, ("alk",), Into.TANK, 40)
    assert 0.97 * 40_000 < fullest(close(rig), "alk") <= 40_000


def test_the_run_limit_is_reached_and_not_passed(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "ca"), rise=9.0, run=0.8), 0.8)
    greedy(rig, ("alk",), Into.TANK, 40)
    assert 0.94 * 128.0 < fullest(close(rig), "alk", seconds=True) <= 128.0


def test_the_rise_limit_is_reached_by_two_channels_together_and_not_passed(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "alk2"), rise=0.6))
    greedy(rig, ("alk", "alk2"), Into.TANK, 40)
    oracle = close(rig)
    change = [
        (start, end, pulse.ul_per_s * strength["alkalinity"])
        for pulse in oracle.pulses
        for start, end, strength in pulse.pieces
    ]
    assert 0.94 * 25_200.0 < worst_excess(change, [(0.0, 0.0)])[2] <= 25_200.0


def test_the_cup_is_filled_twice_over_at_most(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "ca")))
    greedy(rig, ("alk",), Into.CUP, 40)
    assert 0.97 * 84_000 < fullest(close(rig), "alk", "cup") <= 84_000


def test_a_new_ledger_begins_at_zero(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "ca")), full=False)
    assert rig.ask("alk", Purpose.MANUAL, Into.TANK, 1_000).outcome is Outcome.REFUSED  # type: ignore[union-attr]
    greedy(rig, ("alk",), Into.TANK, 24)
    assert fullest(close(rig), "alk") < 0.75 * 40_000


@pytest.mark.parametrize("by_s", [-86_400.0 * 40, -7200.0, 7200.0, 86_400.0 * 40])
def test_a_clock_that_jumps_every_hour_earns_nothing(place: Path, by_s: float) -> None:
    rig = made(place, Wish(channels=("alk", "ca"), rise=9.0))
    for number in range(30):
        rig.clock.set_wall(by_s if number % 2 else -by_s / 2)
        greedy(rig, ("alk",), Into.TANK, 1)
    close(rig)


@pytest.mark.parametrize("part", [0.0, 0.5])
def test_boottime_that_falls_back_every_hour_earns_nothing(place: Path, part: float) -> None:
    rig = made(place, Wish(channels=("alk", "ca"), rise=9.0))
    for _ in range(30):
        rig.reset_boottime(part)
        greedy(rig, ("alk",), Into.TANK, 1)
    close(rig)


def test_reloads_and_restarts_every_hour_earn_nothing(place: Path) -> None:
    few, all_ = Wish(channels=("ca",), rise=9.0), Wish(channels=("alk", "ca"), rise=9.0)
    rig = made(place, all_)
    for number in range(30):
        greedy(rig, ("alk",), Into.TANK, 1)
        rig.reload(few)
        rig.reload(all_)
        rig.restart(1.0, reboot=bool(number % 2))
    close(rig)


def test_a_disk_that_is_slow_at_every_dose_moves_no_more_into_a_day(place: Path) -> None:
    rig = made(place, Wish(channels=("alk", "ca"), rise=9.0, quiet=False))
    for by_s in (1.0, 400.0, 499.0, 520.0, 539.0, 600.0, 4000.0) * 4:
        rig.fault = Fault("witnessed", by_s=by_s)
        greedy(rig, ("alk",), Into.TANK, 1, 1800.0)
    oracle = close(rig)
    begun = [pulse.start_s for pulse in oracle.pulses]
    assert all(one < other for one, other in pairwise(begun))


def test_a_stronger_stock_still_in_the_line_counts(place: Path) -> None:
    """Refilled weaker twice before the line is flushed: what leaves the outlet is the first one still."""
    rig = made(place, Wish(channels=("alk", "ca"), rise=0.2))
    for factor in (3.0, 0.5, 0.5, 1.0, 0.5, 0.5):
        rig.refill("alk", factor)
        greedy(rig, ("alk",), Into.TANK, 6)
    close(rig)


STEPS = ["begun", "inserted", "committed", "witnessed", "mid run", "before on", "after on", "before off", "after off"]


@pytest.mark.parametrize("where", STEPS)
@pytest.mark.parametrize("nth", [1, 2])
@pytest.mark.parametrize("after", ["helper", "stays on", "reboot", "stays on until the reboot", "disk"])
def test_a_kill_at_each_step_is_booked_and_never_repeated(place: Path, where: str, nth: int, after: str) -> None:
    rig = made(place, Wish(channels=("alk", "ca")))
    rig.clock.synchronised = True
    rig.live(3600.0)
    rig.fault = Fault(
        where,
        nth=nth,
        helper_s=None if after.startswith("stays") else 5.0,
        down_s=60.0 if after.startswith("stays") else 2.0,
        reboot="reboot" in after,
        disk=after == "disk",
    )
    rig.ask("alk", Purpose.MANUAL, Into.TANK, 4_000)
    rig.live(5 * 3600.0)
    assert rig.struck()
    greedy(rig, ("ca", "alk"), Into.TANK, 3)
    close(rig)
