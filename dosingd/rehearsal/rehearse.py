"""The plan rehearsed: the same agenda, gate, ledger and turn as on the pins, in virtual time, on a pretend rig."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from attrs import evolve, frozen

from dosingd import refills
from dosingd.acceptance import Measured, judged
from dosingd.alarms import Alarm, Kind, alarms
from dosingd.clock import VirtualClock
from dosingd.daily import daily_volume_ul, day_volume_ul
from dosingd.flows import bench_calibration
from dosingd.inputs import Watch
from dosingd.ledger import Book
from dosingd.ledger.account import Account
from dosingd.plan.model import Plan
from dosingd.records import LedgerMade, Reading, Switched
from dosingd.refills import Refill
from dosingd.rehearsal.report import ChannelDay, ChannelSum, Day, RaisedAlarm, Report
from dosingd.rehearsal.rig import PretendRig, PretendSwitches, Spell, worst_window_ul
from dosingd.reservoir import filled
from dosingd.rounds import Rounds
from dosingd.strengths import strengths_of
from dosingd.timetable import day_bounds
from dosingd.turn import Turn

#: The pretend keeper refills a reservoir, or calibrates a pump, so long after its alarm, in the pauses between doses.
KEEPER_COMES_S = 24 * 3600.0


def rehearse(
    plan: Plan,
    *,
    days: int,
    start: date,
    seed: int | None = None,
    new: bool = False,
    progress: Callable[[int], None] | None = None,
    spells: Sequence[Spell] = (),
    happenings: Sequence[Happening] = (),
    drift_per_week: Mapping[str, float] | None = None,
) -> Report:
    """Live through `days` dosing days from `start`'s local midnight. Raises CannotLay when a day cannot be laid.

    Full allowance at the start, as on a rig that has run for a day; with `new` a new ledger, whose allowance starts at
    zero. The pretend pumps' flows are nominal, or by `seed` up to 2 % beside it and calibrated. A pretend keeper
    refills a reservoir a day after its low alarm. The switches say what is safe, but for the `spells`; a `happening`
    is whatever else befalls the rig. Tubing drifts as `drift_per_week` says, by channel; the keeper calibrates a day
    after the alarm.
    """
    return Rehearsal(plan, days, start, seed, new, progress, spells, happenings, drift_per_week).live()


@frozen
class Happening:
    """Something that befalls the rig so many true seconds after the start, between two runs."""

    at_s: float
    do: Callable[[Rehearsal], object]


class Rehearsal:
    """A rehearsal under way, as its happenings meet it."""

    bench = True  #: a bench has no lines to swap, so nobody is asked to look at them

    def __init__(
        self,
        plan: Plan,
        days: int,
        start: date,
        seed: int | None,
        new: bool,
        progress: Callable[[int], None] | None,
        spells: Sequence[Spell] = (),
        happenings: Sequence[Happening] = (),
        drift_per_week: Mapping[str, float] | None = None,
    ) -> None:
        zone = ZoneInfo(plan.timezone)
        start_at, _ = day_bounds(start, zone)
        self.plan, self.zone, self.progress = plan, zone, progress
        self.dates = [start + timedelta(days=number) for number in range(days)]
        self.clock = VirtualClock(start_at)
        self.rig = PretendRig(plan, self.clock, seed, drift_per_week)
        reading = self.clock.now()
        self.account = Account(Book.pretend(LedgerMade("rehearsal", bench=self.bench, full=not new), reading))
        self._furnish(reading, measured=seed is not None)
        self.switches = PretendSwitches(plan, self.clock, spells)
        self.watch = Watch(plan, self.switches, self.clock, lambda: self.account.books)
        self.watch.judgements = self.switches.long_known(self.clock.mono_s)
        self.happenings = sorted(happenings, key=lambda one: one.at_s)
        turn = Turn(
            plan,
            self.account,
            self.rig.pumps,
            self.clock,
            trusted=lambda: self.rounds.trusted(),
            flowing=self.watch.flows,
        )
        self.rounds = Rounds(self.account, self.clock, turn)
        self.raised: dict[tuple[Kind, str | None], tuple[Alarm, float]] = {}
        self.over: list[RaisedAlarm] = []
        self.refills = dict.fromkeys(plan.channels, 0)
        self.keeper_comes_s = KEEPER_COMES_S  #: infinity: never

    def _furnish(self, reading: Reading, *, measured: bool) -> None:
        for name, channel in self.plan.channels.items():
            flow = self.rig.pulses[name].true_ul_per_s if measured else None
            event = bench_calibration(channel, flow)
            if self.rig.pulses[name].drift_per_week:  # a bench's flow is made up and never drifts; this one does
                event = evolve(event, source="measured")
            self.account.write(event, reading)
            self.account.write(filled(self.plan, name), reading)

    def live(self) -> Report:
        """Day after day."""
        self.rounds.start()
        for number, day in enumerate(self.dates):
            _, end_at = day_bounds(day, self.zone)
            self._until(end_at)
            if self.progress is not None:
                self.progress(number + 1)
        return self._report()

    def _until(self, end_at: datetime) -> None:
        end_mono_s = self.clock.mono_s + (end_at - self.clock.now().wall_at).total_seconds()
        while self.clock.mono_s < end_mono_s:
            while self.happenings and self.happenings[0].at_s <= self.clock.true_s:
                self.happenings.pop(0).do(self)
            look_mono_s = self.watch.turn(_Heeding(self))
            next_mono_s = self.rounds.make()
            self._look_at_alarms()
            moves_s = min(self.switches.next_change_s(), self._next_happening_s())
            self.clock.wait_until_mono_s(min(next_mono_s, end_mono_s, look_mono_s, self.clock.mono_s + moves_s))

    def _next_happening_s(self) -> float:
        return self.happenings[0].at_s - self.clock.true_s if self.happenings else math.inf

    def _look_at_alarms(self) -> None:
        now = self.clock.now()
        books = self.account.books
        standing = {
            (alarm.kind, alarm.channel): alarm
            for alarm in (
                *alarms(self.plan, books, now, self.rounds.trust, self.rounds.cannot_lay),
                *self.watch.alarms(self.plan, books, now),
            )
        }
        for key in [key for key in self.raised if key not in standing]:
            self.over.append(RaisedAlarm(self.raised.pop(key)[0], now.wall_at))
        for key, alarm in standing.items():
            self.raised.setdefault(key, (alarm, self.clock.true_s))
        for (kind, channel), (_, since_s) in list(self.raised.items()):
            low = kind in (Kind.RESERVOIR_LOW, Kind.RESERVOIR_RESERVE)
            if low and channel is not None and self.clock.true_s - since_s >= self.keeper_comes_s:
                self.top_up(channel)
            due = kind in (Kind.CALIBRATION_DUE, Kind.NO_CALIBRATION)
            if due and channel is not None and self.clock.true_s - since_s >= self.keeper_comes_s:
                self.calibrate(channel)
                self.raised[(kind, channel)] = (self.raised[(kind, channel)][0], self.clock.true_s)

    def top_up(self, channel: str) -> None:
        """The keeper fills a reservoir to the brim with the plan's stock, and does not say what was left."""
        self.account.write(filled(self.plan, channel), self.clock.now())
        self.refills[channel] += 1

    def calibrate(self, channel: str) -> None:
        """The keeper's test runs, without any scatter: the flow as it is now, judged as the daemon judges it. What is
        far off the last one takes a second set, which the keeper makes at once."""
        flow = self.rig.pulses[channel].ul_per_s_at(self.clock.true_s)
        for longest_s in (45.0, 46.0):
            runs = tuple((seconds, seconds * flow) for seconds in (15.0, longest_s, 15.5))
            verdict = judged(self.plan, self.account.books, channel, Measured(runs, "measured"))
            if verdict.event is not None:
                self.account.write(verdict.event, self.clock.now())
            if verdict.accepted:
                break

    def refill(self, said: Refill) -> dict[str, Any]:
        """What a keeper books, and the figures that come of it. The rest of the day is laid anew."""
        data, _ = refills.book(
            self.plan, self.account.books, said, lambda row: self.account.write(row, self.clock.now())
        )
        self.rounds.lay_anew()
        return data

    def _report(self) -> Report:
        books = self.account.books
        strengths = strengths_of(self.plan, books)
        planned = {
            name: [day_volume_ul(daily_volume_ul(self.plan, name, strengths), day) for day in self.dates]
            for name in self.plan.channels
        }
        days = tuple(
            Day(
                day,
                {
                    name: ChannelDay(
                        planned[name][number],
                        books.account(day, name).given_ul,
                        books.account(day, name).given,
                        books.account(day, name).refused,
                        books.account(day, name).missed,
                    )
                    for name in self.plan.channels
                },
            )
            for number, day in enumerate(self.dates)
        )
        channels = {
            name: ChannelSum(
                given_ul=books.total_given_ul.get(name, 0),
                planned_ul=sum(planned[name]),
                reservoir_left_ul=books.contents[name].left_ul,
                worst_24h_ul=math.ceil(
                    worst_window_ul(self.rig.pulses[name].spans, self.rig.pulses[name].most_ul_per_s()) - 1e-6
                ),
                day_limit_ul=channel.limits.day_ul,
                refills=self.refills[name],
            )
            for name, channel in self.plan.channels.items()
        }
        raised = [*self.over, *(RaisedAlarm(alarm, None) for alarm, _ in self.raised.values())]
        return Report(self.plan.timezone, days, channels, tuple(sorted(raised, key=lambda one: one.alarm.since)))


class _Heeding:
    """What the watch over the switches does to a rehearsed rig: its looks fall between two runs, so none is cut."""

    def __init__(self, of: Rehearsal) -> None:
        self._of = of

    def cut(self, reason: str) -> None:
        """No run is on."""

    def hold(self, why: str, reason: str) -> None:
        """Latched at once."""
        self._of.rounds.turn.hold(why)

    def mend(self, reason: str) -> None:
        """Nothing was cut."""

    def write(self, event: Switched) -> None:
        """Written at once."""
        self._of.account.write(event, self._of.clock.now())

    def wake(self) -> None:
        """The round comes next anyway."""
