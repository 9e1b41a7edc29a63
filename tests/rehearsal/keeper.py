"""A rehearsal with a keeper who is no better than keepers are: test runs into a cup by the same gate and turn, read
with some scatter; levels read off the reservoirs; and a truth beside it that counts what really ran.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from random import Random

from dosingd.acceptance import Measured, judged
from dosingd.alarms import Kind
from dosingd.calibration import volume_ul_from_run_s
from dosingd.flows import flow_of, valid_calibration
from dosingd.gate import Request
from dosingd.plan.model import Plan
from dosingd.records import Into, Outcome, Purpose, Reading
from dosingd.refills import Refill
from dosingd.rehearsal import Happening, Rehearsal, Report, Spell
from dosingd.reservoir import filled
from dosingd.testruns import lengths_for
from tests.rehearsal.truth import DAY_S, Truth

START = date(2026, 6, 1)
#: A keeper tries again so much later where another channel has just run.
AGAIN_S = 120.0


class Kept(Rehearsal):
    """The keeper comes a day after an alarm, unless `keeper_comes_s` says otherwise."""

    bench = False

    def __init__(
        self,
        plan: Plan,
        days: int,
        truth: Truth,
        happenings: Sequence[Happening] = (),
        spells: Sequence[Spell] = (),
        *,
        scatter: float = 0.005,
        reading: float = 0.005,
    ) -> None:
        """`scatter` of a measured test run, `reading` of a level as a share of what the reservoir holds: 1 sigma."""
        self.truth, self.scatter, self.reading = truth, scatter, reading
        self.random = Random(1)
        self.calibrates = True  #: when an alarm asks for it
        self.told: list[tuple[float, str, float, float]] = []  #: of refills: when, channel, error, its uncertainty
        self.calibrated: list[tuple[float, str, float]] = []  #: when, channel, interval of a dose as a share
        #: The error of a day's doses by truth, when that day ended, and by channel.
        self.errors: dict[str, list[tuple[float, float]]] = {name: [] for name in plan.channels}
        days_over = [Happening((day + 1) * DAY_S - 1.0, _day_over) for day in range(days)]
        super().__init__(plan, days, START, None, False, None, spells, [*happenings, *days_over])
        self.first_s: dict[tuple[Kind, str | None], float] = {}

    def _furnish(self, reading: Reading, *, measured: bool) -> None:
        """Full reservoirs, and pumps that nobody has calibrated."""
        for name in self.plan.channels:
            self.account.write(filled(self.plan, name), reading)

    def live(self) -> Report:
        report = super().live()
        self.look()
        return report

    def look(self) -> None:
        self.truth.look({name: pulses.spans for name, pulses in self.rig.pulses.items()})

    def _look_at_alarms(self) -> None:
        super()._look_at_alarms()
        for key in self.raised:
            self.first_s.setdefault(key, self.clock.true_s)

    def first_alarm_s(self, *kinds: Kind, channel: str | None = "alk") -> float:
        """When the first of some alarms was raised; infinity: never."""
        return min((self.first_s.get((kind, channel), float("inf")) for kind in kinds), default=float("inf"))

    # -- what the keeper does ----------------------------------------------------------------------------------

    def later(self, do: Callable[[Rehearsal], object]) -> None:
        """Tried again a little later."""
        self.befall(Happening(self.clock.true_s + AGAIN_S, do))

    def befall(self, *happenings: Happening) -> None:
        """More that befalls the rig."""
        self.happenings = sorted([*self.happenings, *happenings], key=lambda one: one.at_s)

    def run(self, channel: str, volume_ul: int, purpose: Purpose = Purpose.CALIBRATION) -> float | None:
        """A run into a cup: what was found in it, in µL; None where it was refused."""
        self.look()
        self.truth.cups.add(channel)
        result = self.rounds.turn.run(Request(channel, purpose, Into.CUP, volume_ul, None, None, None))
        self.look()
        self.truth.cups.discard(channel)
        return self.truth.ran[-1].volume_ul if result.outcome is Outcome.GIVEN else None

    def calibrate(self, channel: str) -> None:
        """Test runs into a cup, and what was measured; a second set where one is asked for."""
        if self.calibrates:
            self.measure(channel)

    def measure(self, channel: str) -> None:
        """The test runs, asked for or not."""
        plan, books = self.plan, self.account.books
        lengths = lengths_for(plan, books, channel, books.proven_ms(self.clock.now()))
        if lengths is None:
            self.later(lambda _: self.measure(channel))
            return
        runs = []
        for seconds in lengths.seconds:
            asked_ul = max(1, volume_ul_from_run_s(seconds, flow_of(plan, books, channel)) - 1)
            ul = self.run(channel, asked_ul)
            if ul is None:
                self.later(lambda _: self.measure(channel))
                return
            start_s, end_s = self.rig.pulses[channel].spans[-1]
            runs.append((end_s - start_s, ul * (1 + self.random.gauss(0.0, self.scatter))))
        verdict = judged(plan, books, channel, Measured(tuple(runs), "measured"))
        if verdict.event is not None:
            self.account.write(verdict.event, self.clock.now())
        if verdict.accepted:
            self.rounds.lay_anew()
            known = valid_calibration(plan, books, channel)
            assert known is not None
            self.calibrated.append((self.clock.true_s, channel, (known.event.interval95_percent or 0.0) / 100))
        else:
            self.later(lambda _: self.measure(channel))

    def level_ul(self, channel: str) -> int:
        """What a keeper reads off a reservoir."""
        holds_ul = self.plan.channels[channel].reservoir.holds_ul
        read_ul = self.truth.bottles[channel].left_ul + self.random.gauss(0.0, self.reading) * holds_ul
        return round(min(max(read_ul, 0.0), holds_ul))

    def top_up(self, channel: str) -> None:
        """Says what was left, and fills to the brim with the same stock."""
        self.look()
        self.fill(channel, self.truth.bottles[channel].per_ul)

    def fill(self, channel: str, per_ul: float, stock: str | None = None) -> None:
        """Fills to the brim with so strong a stock, and says what was left, and perhaps its name."""
        self.look()
        found_ul = self.level_ul(channel)
        holds_ul = self.plan.channels[channel].reservoir.holds_ul
        self.truth.bottles[channel].pour(holds_ul, per_ul)
        data = self.refill(Refill(channel, holds_ul, found_ul, stock))
        self.refills[channel] += 1
        if data["flow_error_percent"] is not None:
            told = data["flow_error_percent"] / 100, data["flow_error_uncertainty_percent"] / 100
            self.told.append((self.clock.true_s, channel, *told))


def _day_over(of: Rehearsal) -> None:
    """How far the day's doses were off what was asked of them: 1 mL each, by these plans."""
    assert isinstance(of, Kept)
    of.look()
    to_s = of.clock.true_s
    for name, errors in of.errors.items():
        runs = of.truth.runs(name, to_s - DAY_S, to_s)
        if runs:
            errors.append((to_s, sum(one.volume_ul for one in runs) / (1_000 * len(runs)) - 1))


__all__ = ["START", "Kept"]
