"""By how much a new plan raises what is dosed: what a reload asks about first."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd.checking import RAISE, raised
from dosingd.chemistry.stock import Strength
from dosingd.plan import Plan, read_plan
from dosingd.plan.model import DailyChange, DailyVolume, Follows, Stock
from dosingd.records import Substance
from tests.builders import ALK, CA, SODA, channel, plan
from tests.plan.edits import edited

OLD = plan()


def by(share: float) -> Plan:
    """Alkalinity at this share of 24,000 µeq a day; calcium has a plan of its own."""
    return plan(evolve(ALK, daily=DailyChange(24_000.0 * share)), evolve(CA, daily=DailyChange(12_000.0)))


def volume(ul: int, **more: object) -> Plan:
    return plan(channel("alk", daily=DailyVolume(ul), **more))  # type: ignore[arg-type]


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
    assert line.endswith("(24 mL in 100 L) a day")


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
    assert [line.split(":")[0] for line in raised(old, new)] == ["alk", "ca", "mg"]
    assert raised(old, of_file(line5="  water: 330 L")) == ()
    assert raised(old, of_file(line5="  water: 200 L")) == ()
