"""By how much a new plan raises what is dosed, and what it loosens: what a reload asks about first."""

from __future__ import annotations

from datetime import time
from typing import Any

import pytest
from attrs import evolve

from dosingd.checking import RAISE, raised
from dosingd.chemistry.stock import Strength
from dosingd.plan import Plan, read_plan
from dosingd.plan.model import (
    Apart,
    Broker,
    ClockPolicy,
    DailyChange,
    DailyVolume,
    Float,
    Follows,
    Input,
    LocalSpan,
    Stock,
    WithoutClock,
)
from dosingd.records import Substance
from tests.builders import ALK, CA, SODA, channel, limited, plan
from tests.plan.edits import edited

OLD = plan()


def by(share: float) -> Plan:
    """Alkalinity at this share of 24,000 µeq a day; calcium has a plan of its own."""
    return plan(evolve(ALK, daily=DailyChange(24_000.0 * share)), evolve(CA, daily=DailyChange(12_000.0)))


def volume(ul: int, **more: Any) -> Plan:
    return plan(channel("alk", daily=DailyVolume(ul), **more))


def of_file(**edits: str) -> Plan:
    return read_plan(edited({key.removeprefix("line"): text for key, text in edits.items()}), "plan.yaml")[0]


def test_the_same_plan_raises_nothing() -> None:
    assert raised(OLD, OLD) == ()


def test_a_fifth_more_is_not_asked_about_and_anything_above_it_is() -> None:
    assert RAISE == 0.2
    assert raised(by(1.0), by(1.2)) == ()
    [line] = raised(by(1.0), by(1.201))
    # 24,000 µeq in 100 L are 0.24 meq/L, and 2.804 dKH are 1 meq/L (10 mg CaO per litre each, IUPAC21).
    assert line == "alk: from 0.673 dKH (24 mL in 100 L) a day to 0.808 dKH (28.8 mL in 100 L)"


@pytest.mark.parametrize("share", [0.999, 0.5, 0.0])
def test_less_is_never_asked_about(share: float) -> None:
    assert raised(by(1.0), by(share)) == ()
    assert raised(volume(20_000), volume(int(20_000 * share))) == ()


def test_a_follower_rises_with_its_leader() -> None:
    lines = raised(OLD, plan(evolve(ALK, daily=DailyChange(36_000.0)), CA))
    assert [line.split(":")[0] for line in lines] == ["alk", "ca"]


def test_a_follower_that_follows_more_is_named_alone() -> None:
    old = plan(ALK, evolve(CA, daily=Follows("alk", 500.0)))
    new = plan(ALK, evolve(CA, daily=Follows("alk", 601.0)))
    assert [line.split(":")[0] for line in raised(old, new)] == ["ca"]
    assert raised(old, plan(ALK, evolve(CA, daily=Follows("alk", 599.0)))) == ()


def test_a_new_channel_is_named_with_what_it_gives() -> None:
    [line] = raised(plan(ALK), OLD)
    assert line.startswith("ca: a new channel, ")
    assert line.endswith("(24 mL in 100 L) a day; apart: 20 min from alk")
    [line] = raised(plan(ALK), evolve(OLD, apart=()))
    assert line.endswith("; apart: none")


def test_a_channel_that_is_taken_out_is_no_rise() -> None:
    assert raised(OLD, plan(ALK)) == ()


def test_channels_that_are_planned_by_volume_are_compared_by_it() -> None:
    assert raised(volume(20_000), volume(24_000)) == ()
    [line] = raised(volume(20_000), volume(24_100))
    assert "(20 mL in 100 L) a day to" in line
    assert "(24.1 mL in 100 L)" in line


def test_from_a_volume_to_a_change_the_tank_s_change_counts() -> None:
    """20 mL of 1 eq/L are 20,000 µeq."""
    assert raised(volume(20_000), plan(channel("alk", daily=DailyChange(24_000.0)))) == ()
    assert len(raised(volume(20_000), plan(channel("alk", daily=DailyChange(24_100.0))))) == 1
    assert raised(plan(channel("alk", daily=DailyChange(20_000.0))), volume(24_000)) == ()
    assert len(raised(plan(channel("alk", daily=DailyChange(20_000.0))), volume(24_100))) == 1


def test_a_stock_without_a_strength_is_compared_in_millilitres() -> None:
    trace = Stock("trace", Substance.OTHER, None)

    def of(ul: int) -> Plan:
        return plan(channel("tr", "trace", DailyVolume(ul), rise_umol=None), stocks=(SODA, trace))

    assert raised(of(1_000), of(1_200)) == ()
    assert raised(of(1_000), of(1_300)) == ("tr: from 1 mL a day to 1.3 mL",)


def test_a_channel_that_now_gives_something_else_is_compared_in_millilitres() -> None:
    """20 mL a day of soda against 20 and 30 mL of chloride."""
    old = volume(20_000)
    assert raised(old, volume(20_000, stock="chloride")) == ()
    assert len(raised(old, volume(30_000, stock="chloride"))) == 1


def test_a_stronger_stock_at_the_same_volume_is_a_rise() -> None:
    strong = plan(
        channel("alk", daily=DailyVolume(20_000)),
        stocks=(evolve(SODA, strength=Strength(alkalinity_eq_per_l=1.5)),),
    )
    assert len(raised(volume(20_000), strong)) == 1


def test_a_tank_with_more_water_is_a_rise_of_every_change_and_of_no_volume() -> None:
    old, new = of_file(), of_file(line5="  water: 340 L")
    lines = [line for line in raised(old, new) if " rise limit " not in line]
    assert [line.split(":")[0] for line in lines] == ["alk", "ca", "mg"]
    assert "alk: its rise limit from 2 dKH in 280 L to 2 dKH in 340 L" in raised(old, new)
    assert raised(old, of_file(line5="  water: 330 L")) == ()
    assert raised(old, of_file(line5="  water: 200 L")) == ()


# -- what guards the tank ------------------------------------------------------------------------------------


def guarded(**more: Any) -> Plan:
    return evolve(OLD, **more)


def alk(**more: Any) -> Plan:
    """The old plan with other limits for alkalinity."""
    return plan(limited(ALK, **more), CA)


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("dose_ul", "alk: its dose limit from 5 mL to 6.05 mL"),
        ("day_ul", "alk: its day limit from 40 mL to 48.4 mL"),
        ("run_s", "alk: its run limit from 800 s a day to 968 s"),
        # 40,000 µeq in 100 L are 0.4 meq/L, 1.12 dKH.
        ("rise_umol", "alk: its rise limit from 1.12 dKH in 100 L to 1.36 dKH in 100 L"),
    ],
)
def test_a_limit_that_rises_by_more_than_a_fifth_is_named_with_its_figures(field: str, words: str) -> None:
    base = {"dose_ul": 5_000, "day_ul": 40_000, "run_s": 800.0, "rise_umol": 40_000.0}
    old = alk(**base)
    more = {name: type(figure)(figure * 1.21) if name == field else figure for name, figure in base.items()}
    fifth = {name: type(figure)(figure * 1.2) if name == field else figure for name, figure in base.items()}
    assert raised(old, alk(**more)) == (words,)
    assert raised(old, alk(**fifth)) == ()
    assert raised(alk(**more), old) == ()


def test_a_limit_of_the_tank_s_change_that_is_gone_is_named() -> None:
    trace = Stock("trace", Substance.OTHER, None)
    lines = raised(volume(20_000), plan(channel("alk", "trace", DailyVolume(20_000), rise_umol=None), stocks=(trace,)))
    assert [line for line in lines if "rise limit" in line] == ["alk: its rise limit from 1.12 dKH in 100 L to none"]


def pumped(**more: Any) -> Plan:
    return plan(evolve(ALK, pump=evolve(ALK.pump, **more)), CA)


def test_a_nominal_flow_that_falls_by_more_than_a_fifth_is_named() -> None:
    """What is not calibrated runs by it: at four fifths of it, five fourths as long."""
    assert raised(OLD, pumped(nominal_ul_per_s=80.0)) == ()
    assert raised(OLD, pumped(nominal_ul_per_s=150.0)) == ()
    assert raised(OLD, pumped(nominal_ul_per_s=79.0)) == (
        "alk: its nominal flow from 6 mL/min down to 4.74 mL/min, so it runs longer",
    )


def test_a_pump_that_runs_faster_is_named_and_one_that_runs_slower_is_not() -> None:
    assert raised(pumped(speed=0.5), pumped(speed=0.6)) == ("alk: its speed from 50 % to 60 %",)
    assert raised(pumped(speed=0.5), pumped(speed=None)) == ("alk: its speed from 50 % to 100 %",)
    assert raised(pumped(speed=None), pumped(speed=0.5)) == ()
    assert raised(pumped(speed=0.5), pumped(speed=0.5)) == ()


def test_a_gap_that_is_shorter_by_any_amount_or_gone_is_named() -> None:
    def apart(gap_s: float | None) -> Plan:
        return guarded(apart=() if gap_s is None else (Apart(("alk", "ca"), gap_s),))

    assert raised(apart(1_200.0), apart(1_199.0)) == ("apart: alk and ca from 20 min to 1199 s",)
    assert raised(apart(1_200.0), apart(None)) == ("apart: alk and ca from 20 min to none",)
    assert raised(apart(1_200.0), apart(1_800.0)) == raised(apart(None), apart(60.0)) == ()


def test_quiet_time_that_is_shorter_or_gone_is_named() -> None:
    night = LocalSpan(time(22, 0), time(7, 0))

    def quiet(*spans: LocalSpan) -> Plan:
        return guarded(quiet=spans)

    assert raised(quiet(night), quiet(night)) == ()
    assert raised(quiet(night), quiet(LocalSpan(time(21, 0), time(7, 0)))) == ()
    halves = LocalSpan(time(22, 0), time(0, 0)), LocalSpan(time(0, 0), time(7, 0))
    assert raised(quiet(night), quiet(*halves)) == (), "the same time in two spans"
    assert raised(quiet(night), quiet()) == ("quiet: 540 min of 22:00 to 07:00 are quiet no more; quiet now: none",)
    assert raised(quiet(night), quiet(LocalSpan(time(22, 0), time(6, 0)))) == (
        "quiet: 60 min of 22:00 to 07:00 are quiet no more; quiet now: 22:00 to 06:00",
    )


@pytest.mark.parametrize("name", ["leak", "circulation", "hold_switch"])
def test_an_input_that_is_taken_out_is_named(name: str) -> None:
    with_it = guarded(inputs={name: Input(name, 13, True)})
    assert raised(with_it, OLD) == (f"inputs: {name} is taken out (GPIO 13)",)
    assert raised(OLD, with_it) == raised(with_it, with_it) == ()


def test_a_keep_alive_and_a_float_that_are_taken_out_are_named() -> None:
    assert raised(guarded(keep_alive_gpio=5), OLD) == ("keep_alive is taken out (GPIO 5)",)
    assert raised(OLD, guarded(keep_alive_gpio=5)) == ()
    floating = plan(evolve(ALK, reservoir=evolve(ALK.reservoir, float_=Float(12, True))), CA)
    assert raised(floating, OLD) == ("alk: its reservoir's float is taken out",)
    assert raised(OLD, floating) == ()


def test_a_clock_that_is_believed_or_done_without_where_it_was_not_is_named() -> None:
    none, half = (guarded(clock=ClockPolicy(without=of)) for of in (WithoutClock.NONE, WithoutClock.HALF))
    assert raised(none, half) == ("clock: without a trusted clock half of a day's doses are given, no more none",)
    assert raised(half, none) == ()
    rtc = guarded(clock=ClockPolicy(rtc=True))
    assert raised(OLD, rtc) == ("clock: it is taken for right at a start (rtc from false to true)",)
    assert raised(rtc, OLD) == ()


# -- wiring, reserves, orders, time zone ---------------------------------------------------------------------

LEAK = Input("leak", 13, True)


def wired(**more: Any) -> Plan:
    return evolve(OLD, **more)


def test_an_input_or_a_keep_alive_that_is_wired_otherwise_is_named() -> None:
    old = wired(inputs={"leak": LEAK}, keep_alive_gpio=5)
    assert raised(old, wired(inputs={"leak": evolve(LEAK, gpio=14)}, keep_alive_gpio=6)) == (
        "inputs: leak from GPIO 13 to GPIO 14",
        "keep_alive from GPIO 5 to GPIO 6",
    )
    [line] = raised(old, wired(inputs={"leak": evolve(LEAK, when_closed=False)}, keep_alive_gpio=5))
    assert line == "inputs: leak is what a contact that is open says, no more the reverse"
    assert raised(OLD, old) == (), "one that is new guards more"


def test_a_float_that_is_wired_otherwise_and_a_reserve_that_falls_are_named() -> None:
    def of(reserve_ul: int, float_: Float | None) -> Plan:
        reservoir = evolve(ALK.reservoir, reserve_ul=reserve_ul, float_=float_)
        return plan(evolve(ALK, reservoir=reservoir), CA)

    old = of(100_000, Float(23, True))
    assert raised(old, of(80_000, Float(23, True))) == ()
    assert raised(old, of(200_000, Float(23, True))) == ()
    assert raised(old, of(79_000, Float(24, False))) == (
        "alk: its reservoir's reserve from 100 mL down to 79 mL",
        "alk: its reservoir's float from GPIO 23 to GPIO 24",
        "alk: its reservoir's float is low when closed, no more the reverse",
    )


def test_an_order_that_the_broker_might_not_give_is_named() -> None:
    def of(*orders: str, host: str = "a") -> Plan:
        return wired(mqtt=Broker(host, orders=orders))

    assert raised(OLD, of()) == ()
    assert raised(OLD, of("hold")) == ()
    assert raised(OLD, of("dose")) == ("mqtt: the broker may order what it might not: dose",)
    assert raised(of("hold"), of("hold", "dose")) == ("mqtt: the broker may order what it might not: dose",)
    assert raised(of("hold", "dose"), of("dose", host="b")) == ()
    assert raised(of("hold"), OLD) == ()


def test_a_time_zone_that_moves_quiet_times_is_named() -> None:
    quiet = (LocalSpan(time(19), time(20)),)
    there = "Pacific/Auckland"
    assert raised(OLD, evolve(OLD, timezone=there)) == ()
    [line] = raised(evolve(OLD, quiet=quiet), evolve(OLD, quiet=quiet, timezone=there))
    assert line.startswith(f"timezone: from {OLD.timezone} to {there}, and quiet times move with it; quiet now: 19:00")
