"""Rehearsals in which something happens: a stronger batch, a stuck float, still water for a day, a wet floor.

What reached the tank is reckoned here from the pretend pumps' pulses and a bottle of the test's own, not from the
books.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pytest
from attrs import define, evolve, field

from dosingd.alarms import Kind
from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Float, Input, Plan, Stock
from dosingd.records import Held, Released, Substance
from dosingd.refills import Refill
from dosingd.rehearsal import Happening, Rehearsal, Report, Spell, rehearse
from tests.builders import ALK, CA, CHLORIDE, SODA, channel, plan

START = date(2026, 6, 1)
HOUR_S, DAY_S = 3600.0, 86_400.0
DOUBLE = Stock("double", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=2.0))
#: 24 meq a day of 1 eq/L: 24 mL.
LINED = evolve(ALK, line_ul=3_500)
STOCKS = (SODA, CHLORIDE, DOUBLE)


@define
class Bottle:
    """What is really in a reservoir and its line, and what came out of it: (true second, µeq)."""

    left_ul: float
    eq_per_l: float
    line: list[list[float]] = field(factory=list)  #: [µL, eq/L] from the outlet's end
    seen: int = 0
    given: list[tuple[float, float]] = field(factory=list)

    def draw(self, spans: list[tuple[float, float]], ul_per_s: float) -> None:
        """Whatever ran since the last look."""
        for start, end in spans[self.seen :]:
            volume_ul = (end - start) * ul_per_s
            self.left_ul -= volume_ul
            self.line.append([volume_ul, self.eq_per_l])
            out = 0.0
            while volume_ul > 1e-9:
                part = min(volume_ul, self.line[0][0])
                out += part * self.line[0][1]
                volume_ul -= part
                self.line[0][0] -= part
                if self.line[0][0] <= 1e-9:
                    self.line.pop(0)
            self.given.append((start, out))
        self.seen = len(spans)

    def pour(self, volume_ul: float, eq_per_l: float) -> None:
        total = self.left_ul + volume_ul
        self.eq_per_l = (self.left_ul * self.eq_per_l + volume_ul * eq_per_l) / total
        self.left_ul = total

    def ueq(self, from_s: float, to_s: float) -> float:
        return sum(amount for at_s, amount in self.given if from_s <= at_s < to_s)


def full(eq_per_l: float = 1.0) -> Bottle:
    return Bottle(1_000_000.0, eq_per_l, [[3_500.0, eq_per_l]])


def within_limits(report: Report) -> None:
    for name, of in report.channels.items():
        assert of.worst_24h_ul <= of.day_limit_ul, name


def kinds(report: Report) -> set[tuple[Kind, str | None]]:
    return {(one.alarm.kind, one.alarm.channel) for one in report.alarms}


def reached(bottle: Bottle) -> Callable[[Rehearsal], None]:
    def look(of: Rehearsal) -> None:
        pulses = of.rig.pulses["alk"]
        bottle.draw(pulses.spans, pulses.true_ul_per_s)

    return look


# -- a stronger batch ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("empties", [False, True])
def test_a_stronger_batch_changes_the_tank_as_planned_on_every_day(empties: bool) -> None:
    """On the fourth day, at noon: half a litre left (or poured away), filled up with a stock of twice the strength."""
    before = plan(LINED, CA, stocks=STOCKS)
    after = plan(evolve(LINED, stock="double"), CA, stocks=STOCKS)
    bottle, days = full(), 8
    look = reached(bottle)
    told = {}

    def refill(of: Rehearsal) -> None:
        look(of)
        if empties:
            bottle.left_ul, bottle.eq_per_l = 0.0, 0.0
        else:
            bottle.left_ul = 500_000.0  # the rest was poured away
        found_ul = round(bottle.left_ul)
        bottle.pour(1_000_000 - found_ul, 2.0)
        of.plan = after
        of.rounds.reload(after)
        told.update(of.refill(Refill("alk", 1_000_000, found_ul, "double")))

    report = rehearse(
        before,
        days=days,
        start=START,
        happenings=[Happening(3.5 * DAY_S, refill), Happening(days * DAY_S - 1.0, look)],
    )
    within_limits(report)
    strength = 2.0 if empties else 1.5
    assert told["strength_eq_per_l"] == pytest.approx(strength)
    assert (told["daily_ml_before"], told["daily_ml_after"]) == (24.0, pytest.approx(24.0 / strength))
    for number in range(days):
        change = bottle.ueq(number * DAY_S, (number + 1) * DAY_S)
        # On the day of the change 3.5 mL in the line are of the weaker one, and half a day's doses end in the middle
        # of it; whole microlitres round down.
        assert change == pytest.approx(24_000, abs=3_500 * (strength - 1) + 1_000 if number == 3 else 10), number


def test_a_stronger_batch_that_nobody_told_the_plan_of_waits() -> None:
    bottle = full()
    look = reached(bottle)

    def refill(of: Rehearsal) -> None:
        look(of)
        bottle.pour(1_000_000 - bottle.left_ul, 2.0)
        of.refill(Refill("alk", 1_000_000, round(bottle.left_ul * 0.9), "double"))

    report = rehearse(
        plan(LINED, CA, stocks=STOCKS),
        days=4,
        start=START,
        happenings=[Happening(1.5 * DAY_S, refill), Happening(4 * DAY_S - 1.0, look)],
    )
    assert (Kind.STOCK_DIFFERS, "alk") in kinds(report)
    assert bottle.ueq(1.5 * DAY_S, 4 * DAY_S) == 0.0
    assert report.days[3].channels["alk"].missed == 24
    assert report.days[3].channels["ca"].missed == 0


# -- a float that sticks -------------------------------------------------------------------------------------


def floating(holds_ul: int = 1_000_000) -> Plan:
    one = channel("alk", holds_ul=holds_ul, reserve_ul=50_000, warn_days=1.0)
    return plan(evolve(one, reservoir=evolve(one.reservoir, float_=Float(23, low_when_open=True))), CA)


def test_a_float_that_sticks_low_is_found_within_the_hour_and_stops_nothing() -> None:
    report = rehearse(floating(), days=3, start=START, spells=[Spell("float.alk", DAY_S, 9 * DAY_S, True)])
    within_limits(report)
    [alarm] = [one.alarm for one in report.alarms if one.alarm.kind is Kind.INPUT_DISAGREES]
    assert alarm.channel == "alk"
    assert all(day.channels["alk"].missed == day.channels["alk"].refused == 0 for day in report.days)


def test_a_float_that_sticks_full_is_found_at_the_reserve_and_grants_nothing() -> None:
    """150 mL, 50 of them reserve, last four days; the keeper does not come."""

    def nobody(of: Rehearsal) -> None:
        of.keeper_comes_s = float("inf")

    report = rehearse(floating(150_000), days=7, start=START, happenings=[Happening(0.0, nobody)])
    within_limits(report)
    found = kinds(report)
    assert {(Kind.RESERVOIR_LOW, "alk"), (Kind.RESERVOIR_RESERVE, "alk"), (Kind.INPUT_DISAGREES, "alk")} <= found
    assert report.channels["alk"].reservoir_left_ul >= 50_000
    assert report.days[6].channels["alk"].given_ul == 0


# -- still water ---------------------------------------------------------------------------------------------


def with_switches(of: Plan) -> Plan:
    return evolve(
        of,
        inputs={
            "circulation": Input("circulation", 6, when_closed=True),
            "leak": Input("leak", 13, when_closed=True),
        },
    )


@pytest.mark.parametrize("unsafe", [True, None])
def test_a_day_of_still_water_gets_nothing_and_is_not_made_up_for(unsafe: bool | None) -> None:
    bottle = full()
    look = reached(bottle)
    report = rehearse(
        with_switches(plan(LINED, CA)),
        days=4,
        start=START,
        spells=[Spell("circulation", DAY_S, 2 * DAY_S, unsafe)],
        happenings=[Happening(4 * DAY_S - 1.0, look)],
    )
    within_limits(report)
    assert bottle.ueq(0, DAY_S) == pytest.approx(24_000, abs=10)
    assert bottle.ueq(DAY_S + 2.0, 2 * DAY_S) == 0.0
    for day in (2, 3):
        assert bottle.ueq(day * DAY_S, (day + 1) * DAY_S) == pytest.approx(24_000, abs=10)
    assert {name: of.missed for name, of in report.days[1].channels.items()} == {"alk": 24, "ca": 24}
    [alarm] = [one for one in report.alarms if one.alarm.kind is Kind.NO_CIRCULATION]
    assert alarm.ended_at is not None
    lasted_s = (alarm.ended_at - alarm.alarm.since).total_seconds()
    assert lasted_s == pytest.approx(DAY_S, abs=60)
    assert (Kind.SHORTFALL, "alk") in kinds(report)


def test_healthy_switches_change_nothing() -> None:
    with_them = rehearse(with_switches(plan()), days=3, start=START)
    without = rehearse(plan(), days=3, start=START)
    assert (with_them.days, with_them.channels, with_them.alarms) == (without.days, without.channels, without.alarms)


# -- a wet floor ---------------------------------------------------------------------------------------------


def test_a_wet_floor_holds_the_rig_until_a_person_releases_it() -> None:
    held: list[object] = []

    def release(of: Rehearsal) -> None:
        of.account.write(Released("a person"), of.clock.now())

    def count(of: Rehearsal) -> None:
        held.extend(row.event for row in of.account.book.rows(kinds=[Held]))

    report = rehearse(
        with_switches(plan()),
        days=4,
        start=START,
        spells=[Spell("leak", DAY_S, 1.5 * DAY_S, True)],
        happenings=[Happening(1.25 * DAY_S, release), Happening(2 * DAY_S, release), Happening(3 * DAY_S, count)],
    )
    assert held == 2 * [Held("the leak sensor (GPIO 13) is wet")], "released while it was wet, it was held again"
    assert (Kind.HELD, None) in kinds(report)
    assert report.days[1].channels["alk"].given_ul == 0
    assert report.days[2].channels["alk"].missed == 0
