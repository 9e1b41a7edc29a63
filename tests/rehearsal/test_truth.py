"""Whatever befalls a rig: told before a dose is 15 % off, no limit passed, the tank's change within what is known.

What ran is counted by a truth of the tests' own (`truth.py`), from the pretend pumps' pulses, with flows, lines and
bottles that no ledger knows. 15 % is where a day's alkalinity begins to show on a test kit. The plans give 24 doses of
1 mL a day, of 1 µeq/µL of alkalinity (24 meq) and of 0.5 µmol/µL of calcium.
"""

from __future__ import annotations

from typing import Any

import pytest
from attrs import evolve

from dosingd.alarms import Kind
from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Float, Plan, Stock
from dosingd.records import Held, Identified, Released, Substance
from dosingd.rehearsal import Happening, Rehearsal, Spell
from dosingd.testruns import swapped
from tests.builders import ALK, CA, CHLORIDE, SODA, limited, plan
from tests.rehearsal.keeper import Kept
from tests.rehearsal.truth import DAY_S, Bottle, Truth

NEVER = float("inf")
HARM = 0.15
LINED = evolve(ALK, line_ul=3_500)
LIME = evolve(CA, line_ul=3_500)
#: What a run may be off by beside its flow: it is timed to the millisecond, and volumes are whole microlitres.
ROUND = 0.002


def truth(*, flow: float = 100.0, **drift: float) -> Truth:
    return Truth(
        {"alk": flow, "ca": flow},
        drift,
        {"alk": Bottle(), "ca": Bottle(per_ul=0.5, substance="calcium")},
    )


def kept(of: Truth, days: int, *, comes: bool = True, channels: Any = (LINED, LIME), **more: Any) -> Kept:
    found = Kept(plan(*channels), days, of, **more)
    if not comes:
        found.keeper_comes_s = NEVER
    return found


def commissioned(of: Rehearsal) -> None:
    """On the first day a keeper calibrates both pumps."""
    assert isinstance(of, Kept)
    for name in of.plan.channels:
        of.measure(name)


#: The first thing that a keeper does.
BEGIN = Happening(0.0, commissioned)


def filled_up(of: Rehearsal) -> None:
    """When both pumps are calibrated the reservoirs are filled once more: levels and one flow to reckon from."""
    for name in of.plan.channels:
        of.top_up(name)


FILLED = Happening(20 * 3600.0, filled_up)


def within_limits(of: Kept) -> None:
    for name, item in of.plan.channels.items():
        assert of.truth.worst_day_ul(name) <= item.limits.day_ul, name
        assert item.limits.rise_umol is not None
        assert of.truth.worst_day_change(str(of.plan.stock_of(name).gives)) <= item.limits.rise_umol, name


# -- tubing that wears -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("drift", "sets"), [(-0.03, 1), (0.03, 1), (-0.03, 2), (0.03, 2)])
def test_a_flow_that_drifts_is_told_of_before_a_dose_is_15_percent_off(drift: float, sets: int) -> None:
    """Nobody heeds it. Calibrated twice on the first day, to be sure, a pump drifts no less."""
    begun = [BEGIN, Happening(16 * 3600.0, commissioned)][:sets]
    of = kept(truth(alk=drift), 42, comes=False, happenings=begun)
    of.live()
    told_s = of.first_alarm_s(Kind.CALIBRATION_DUE)
    harm_s = next(at_s for at_s, error in of.errors["alk"] if abs(error) > HARM)
    assert told_s < harm_s - 7 * DAY_S, f"told on day {told_s / DAY_S:.1f}, 15 % off on day {harm_s / DAY_S:.1f}"


@pytest.mark.parametrize("drift", [-0.03, 0.03])
def test_a_keeper_who_heeds_the_alarms_keeps_doses_and_limits(drift: float) -> None:
    """With the least day limit that the plan may have: three quarters of it are the plan's 24 mL."""
    tight = limited(LINED, day_ul=32_500, rise_umol=32_500.0)
    of = kept(truth(alk=drift), 60, channels=(tight, LIME), happenings=[BEGIN])
    of.live()
    within_limits(of)
    errors = [error for _, error in of.errors["alk"]]
    assert max(abs(error) for error in errors) < 0.10
    # Two calibrations tell the drift, and from then on each comes before 5 % are reached.
    assert max(abs(error) for error in errors[28:]) < 0.06
    assert all(abs(error) < 0.02 for _, error in of.errors["ca"])


def test_a_keeper_who_only_refills_is_told_the_flows_true_error_by_the_books() -> None:
    of = kept(truth(alk=-0.03), 42, happenings=[BEGIN, FILLED])
    of.calibrates = False
    of.live()
    [(at_s, name, error, uncertainty), *_] = [one for one in of.told if one[1] == "alk"]
    runs = of.truth.runs("alk", 0.0, at_s)
    true = sum(one.volume_ul for one in runs) / (1_000 * len(runs)) - 1
    assert name == "alk"
    assert error == pytest.approx(true, abs=uncertainty)
    assert error < -0.05
    assert of.first_alarm_s(Kind.FLOW_ERROR) <= at_s + 3600.0
    assert all(abs(each) < HARM for to_s, each in of.errors["alk"] if to_s < at_s)
    # Calcium's pump is right, and nobody says otherwise.
    assert of.first_alarm_s(Kind.FLOW_ERROR, channel="ca") == NEVER


def test_a_steady_pump_changes_the_tank_each_day_within_its_calibrations_interval() -> None:
    """2 % beside its nominal flow, and read with half a percent of scatter by cup."""
    of = kept(truth(flow=102.0), 14, happenings=[BEGIN])
    of.live()
    within_limits(of)
    interval = {name: share for _, name, share in of.calibrated}
    assert set(interval) == {"alk", "ca"}
    for name, substance, per_dose in (("alk", "alkalinity", 1_000.0), ("ca", "calcium", 500.0)):
        for day in range(1, 14):
            from_s, to_s = day * DAY_S, (day + 1) * DAY_S
            assert len(of.truth.runs(name, from_s, to_s)) == 24
            change = of.truth.change(substance, from_s, to_s)
            assert abs(change / (24 * per_dose) - 1) < interval[name] + ROUND, (name, day)
    assert {kind for kind, _ in of.first_s} <= {Kind.NO_CALIBRATION, Kind.IDENTIFY_DUE, Kind.DOSE_REFUSED}


# -- batches ---------------------------------------------------------------------------------------------------

DOUBLE = Stock("double", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=2.0))
STOCKS = (SODA, CHLORIDE, DOUBLE)


def test_a_stronger_batch_that_is_named_and_read_roughly_changes_the_tank_as_planned() -> None:
    """Half is poured away, what is left is read to half a percent of the reservoir, and the mixture's doses follow."""

    def refill(one: Rehearsal) -> None:
        of.look()
        of.truth.bottles["alk"].left_ul = 450_000.0
        poured(one, 2.0, "double")

    of = Kept(plan(LINED, LIME, stocks=STOCKS), 10, truth(), [BEGIN, Happening(4 * DAY_S - 60.0, refill)])
    of.live()
    within_limits(of)
    interval = {name: share for _, name, share in of.calibrated}
    for day in (1, 2, 3, 5, 6, 7, 8, 9):
        change = of.truth.change("alkalinity", day * DAY_S, (day + 1) * DAY_S)
        # Two readings to 5 mL of a litre, at twice the strength, are 1 % of the mixture's.
        assert abs(change / 24_000.0 - 1) < interval["alk"] + 0.01, day


def poured(of: Rehearsal, per_ul: float, stock: str | None) -> None:
    assert isinstance(of, Kept)
    if stock is not None:
        of.plan = evolve(of.plan, channels={**of.plan.channels, "alk": evolve(of.plan.channels["alk"], stock=stock)})
        of.rounds.reload(of.plan)
    of.fill("alk", per_ul, stock)


def test_a_plan_that_is_ahead_of_the_bottle_gives_nothing_until_the_bottle_has_come() -> None:
    """The plan names the stronger batch two days before it is poured."""
    before, after = plan(LINED, LIME, stocks=STOCKS), plan(evolve(LINED, stock="double"), LIME, stocks=STOCKS)
    of = Kept(before, 9, truth(), [BEGIN, Happening(3 * DAY_S, lambda one: reload(one, after)),
                                   Happening(5 * DAY_S, lambda one: poured(one, 2.0, "double"))])  # fmt: skip
    of.live()
    within_limits(of)
    assert of.first_alarm_s(Kind.STOCK_DIFFERS) <= 3 * DAY_S + 3600.0
    assert of.truth.change("alkalinity", 3 * DAY_S + 1.0, 5 * DAY_S) == 0.0
    interval = {name: share for _, name, share in of.calibrated}
    for day in (6, 7, 8):
        change = of.truth.change("alkalinity", day * DAY_S, (day + 1) * DAY_S)
        assert abs(change / 24_000.0 - 1) < interval["alk"] + 0.01, day
        assert len(of.truth.runs("ca", day * DAY_S, (day + 1) * DAY_S)) == 24


def reload(of: Rehearsal, to: Plan) -> None:
    of.plan = to
    of.rounds.reload(to)


def test_a_stronger_batch_that_nobody_names_passes_no_limit_in_millilitres() -> None:
    """Nothing here tastes the stock: the tank gets what the bottle is stronger by, and not a millilitre more."""
    of = kept(truth(), 6, happenings=[BEGIN, Happening(3 * DAY_S - 60.0, lambda one: poured(one, 1.2, None))])
    of.truth.bottles["alk"].left_ul = 100_000.0
    of.live()
    within_limits(of)
    for day in (1, 2, 4, 5):
        runs = of.truth.runs("alk", day * DAY_S, (day + 1) * DAY_S)
        assert sum(one.volume_ul for one in runs) == pytest.approx(24_000, rel=0.03), day
    assert of.truth.change("alkalinity", 5 * DAY_S, 6 * DAY_S) < 1.2 * 24_000 * 1.03


# -- lines that are swapped ------------------------------------------------------------------------------------


def swap_check(of: Kept) -> bool:
    """Each head runs 5 mL into its cup; the keeper looks which reservoir fell, and the cup is that of its line."""
    seen = {}
    for name in of.plan.channels:
        before = {each: bottle.left_ul for each, bottle in of.truth.bottles.items()}
        if of.run(name, 5_000) is None:
            of.later(lambda _: swap_check(of))
            return False
        [fell] = [each for each, bottle in of.truth.bottles.items() if bottle.left_ul < before[each] - 1.0]
        seen[name] = fell, fell
        of.clock.wait_until_mono_s(of.clock.mono_s + 1_300.0)  # heads that stay apart are looked at one after the other
    wrong = swapped(of.plan, seen)
    if wrong is None:
        of.account.write(Identified({name: one.pump.gpio for name, one in of.plan.channels.items()}), of.clock.now())
        return True
    of.rounds.turn.hold(wrong)
    return False


def test_swapped_lines_are_found_before_the_first_dose_and_none_of_the_wrong_stock_goes_in() -> None:
    of = kept(truth(), 5)
    of.truth.lines = {"alk": "ca", "ca": "alk"}
    found: list[bool] = []

    def commission(_: Rehearsal) -> None:
        found.append(swap_check(of))

    def put_right(_: Rehearsal) -> None:
        of.look()
        of.truth.lines = {}
        of.account.write(Released("a person"), of.clock.now())
        found.append(swap_check(of))

    of.befall(Happening(0.0, commission), Happening(DAY_S + 1.0, put_right), Happening(1.5 * DAY_S, commissioned))
    of.live()
    assert found == [False, True]
    within_limits(of)
    assert of.first_s[(Kind.HELD, None)] < 3600.0
    [held] = [row.event for row in of.account.book.rows(kinds=[Held])]
    assert isinstance(held, Held)
    assert "alk ran and the reservoir of ca fell" in held.reason
    # Into the tank each head gave nothing but its own.
    given = {(one.head, one.substance) for one in of.truth.ran if not one.cup}
    assert given == {("alk", "alkalinity"), ("ca", "calcium")}
    assert min(one.at_s for one in of.truth.ran if not one.cup) > DAY_S
    for day in (2, 3, 4):
        assert of.truth.change("alkalinity", day * DAY_S, (day + 1) * DAY_S) == pytest.approx(24_000, rel=0.03)


# -- a siphon --------------------------------------------------------------------------------------------------


def dripping(of: Kept, from_s: float, to_s: float, ul_per_hour: float, low_ul: float = 300_000.0) -> list[Happening]:
    """A reservoir that hangs above the tank and runs out through its line by itself; its float is at `low_ul`."""
    fallen: list[float] = []

    def drip(_: Rehearsal) -> None:
        of.look()
        of.truth.siphon(of.clock.true_s, "alk", ul_per_hour / 4)
        if of.truth.bottles["alk"].left_ul < low_ul and not fallen:
            fallen.append(of.clock.true_s)
            if of.plan.channels["alk"].reservoir.float_ is not None:
                of.switches.befall(Spell("float.alk", of.clock.true_s, NEVER, unsafe=True))

    return [Happening(from_s + 900.0 * number, drip) for number in range(int((to_s - from_s) / 900.0))]


def test_a_siphon_is_told_of_within_the_hour_that_the_float_falls() -> None:
    """20 mL an hour from the third day on, from a full litre: the books have 900 mL when the float says 300."""
    floating = evolve(LINED, reservoir=evolve(LINED.reservoir, float_=Float(23, low_when_open=True)))
    of = kept(truth(), 6, channels=(floating, LIME), happenings=[BEGIN])
    of.befall(*dripping(of, 2 * DAY_S, 6 * DAY_S, 20_000.0))
    of.live()
    low_s = of.first_alarm_s(Kind.FLOAT_LOW)
    assert of.first_alarm_s(Kind.INPUT_DISAGREES) <= low_s + 3600.0
    siphoned_ul = sum(volume for at_s, volume, *_ in of.truth.siphoned if at_s <= low_s)
    assert siphoned_ul == pytest.approx(1_000_000 - 300_000 - 3.4 * 24_000, rel=0.1)
    # No pump gave more for it.
    within_limits(of)


def test_a_siphon_is_told_of_by_the_next_refill_that_says_what_was_left() -> None:
    """A sixth of what is dosed, by itself: the refill after a month finds it, with the number."""
    of = kept(truth(), 36, happenings=[BEGIN, FILLED])
    of.calibrates = False
    of.befall(*dripping(of, 2 * DAY_S, 36 * DAY_S, 4_000 / 24))
    of.live()
    [(at_s, _, error, uncertainty), *_] = [one for one in of.told if one[1] == "alk"]
    siphoned_ul = sum(volume for when_s, volume, *_ in of.truth.siphoned if when_s <= at_s)
    pumped_ul = sum(one.volume_ul for one in of.truth.ran if one.head == "alk" and one.at_s <= at_s)
    assert error == pytest.approx(siphoned_ul / pumped_ul, abs=uncertainty + 0.02)
    assert error > 0.05
    assert of.first_alarm_s(Kind.FLOW_ERROR) <= at_s + 3600.0
