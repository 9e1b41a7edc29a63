"""The plan rehearsed: the same agenda, gate, ledger and turn as on the pins, in virtual time, on a pretend rig."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dosingd.alarms import Alarm, Kind, alarms
from dosingd.clock import VirtualClock
from dosingd.daily import daily_volume_ul, day_volume_ul
from dosingd.ledger import Book
from dosingd.ledger.account import Account
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, LedgerMade, Reading
from dosingd.rehearsal.report import ChannelDay, ChannelSum, Day, RaisedAlarm, Report
from dosingd.rehearsal.rig import PretendRig, worst_window_ul
from dosingd.reservoir import filled
from dosingd.rounds import Rounds
from dosingd.strengths import strengths_of
from dosingd.timetable import day_bounds
from dosingd.turn import Turn

#: The pretend keeper refills a reservoir so long after its alarm, in the pauses between doses.
KEEPER_COMES_S = 24 * 3600.0


def rehearse(
    plan: Plan,
    *,
    days: int,
    start: date,
    seed: int | None = None,
    new: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Report:
    """Live through `days` dosing days from `start`'s local midnight. Raises CannotLay when a day cannot be laid.

    Full allowance at the start, as on a rig that has run for a day; with `new` a new ledger, whose allowance starts at
    zero. The pretend pumps' flows are nominal, or by `seed` up to 2 % beside it and calibrated. A pretend keeper
    refills a reservoir a day after its low alarm.
    """
    return _Rehearsal(plan, days, start, seed, new, progress).live()


class _Rehearsal:
    def __init__(
        self,
        plan: Plan,
        days: int,
        start: date,
        seed: int | None,
        new: bool,
        progress: Callable[[int], None] | None,
    ) -> None:
        zone = ZoneInfo(plan.timezone)
        start_at, _ = day_bounds(start, zone)
        self.plan, self.zone, self.progress = plan, zone, progress
        self.dates = [start + timedelta(days=number) for number in range(days)]
        self.clock = VirtualClock(start_at)
        self.rig = PretendRig(plan, self.clock, seed)
        reading = self.clock.now()
        self.account = Account(Book.pretend(LedgerMade("rehearsal", bench=True, full=not new), reading))
        self._furnish(reading, measured=seed is not None)
        turn = Turn(plan, self.account, self.rig.pumps, self.clock, trusted=lambda: self.rounds.trusted())
        self.rounds = Rounds(self.account, self.clock, turn)
        self.raised: dict[tuple[Kind, str | None], tuple[Alarm, float]] = {}
        self.over: list[RaisedAlarm] = []
        self.refills = dict.fromkeys(plan.channels, 0)

    def _furnish(self, reading: Reading, *, measured: bool) -> None:
        for name, channel in self.plan.channels.items():
            flow = self.rig.pulses[name].true_ul_per_s if measured else channel.pump.nominal_ul_per_s
            self.account.write(Calibrated(name, flow, source="bench"), reading)
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
            next_mono_s = self.rounds.make()
            self._look_at_alarms()
            self.clock.wait_until_mono_s(min(next_mono_s, end_mono_s))

    def _look_at_alarms(self) -> None:
        now = self.clock.now()
        standing = {
            (alarm.kind, alarm.channel): alarm
            for alarm in alarms(self.plan, self.account.books, now, self.rounds.trust, self.rounds.cannot_lay)
        }
        for key in [key for key in self.raised if key not in standing]:
            self.over.append(RaisedAlarm(self.raised.pop(key)[0], now.wall_at))
        for key, alarm in standing.items():
            self.raised.setdefault(key, (alarm, self.clock.true_s))
        for (kind, channel), (_, since_s) in list(self.raised.items()):
            low = kind in (Kind.RESERVOIR_LOW, Kind.RESERVOIR_RESERVE)
            if low and channel is not None and self.clock.true_s - since_s >= KEEPER_COMES_S:
                self.account.write(filled(self.plan, channel), now)
                self.refills[channel] += 1

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
                    worst_window_ul(self.rig.pulses[name].spans, self.rig.pulses[name].true_ul_per_s) - 1e-6
                ),
                day_limit_ul=channel.limits.day_ul,
                refills=self.refills[name],
            )
            for name, channel in self.plan.channels.items()
        }
        raised = [*self.over, *(RaisedAlarm(alarm, None) for alarm, _ in self.raised.values())]
        return Report(self.plan.timezone, days, channels, tuple(sorted(raised, key=lambda one: one.alarm.since)))
