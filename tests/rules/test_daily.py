"""R12: what each channel gives a day, exact over the years, and calcium bound to alkalinity."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest
from attrs import evolve

from dosingd.chemistry.stock import Strength
from dosingd.daily import daily_change_umol, daily_volume_ul, day_volume_ul, gives, plan_strengths
from dosingd.plan.model import DailyChange, DailyVolume, Follows, Stock
from dosingd.records import Substance
from tests.builders import ALK, CA, CHLORIDE, SODA, channel, plan

TEN_YEARS = [date(2024, 2, 27) + timedelta(days=n) for n in range(3_653)]


@pytest.mark.parametrize(
    "daily_ul", [Fraction(24_000), Fraction(100, 3), Fraction(85_683_456_789, 10**6), Fraction(1, 7)]
)
def test_the_days_of_ten_years_sum_to_the_exact_volume(daily_ul: Fraction) -> None:
    total = 0
    for number, day in enumerate(TEN_YEARS, 1):
        volume = day_volume_ul(daily_ul, day)
        assert volume in (daily_ul // 1, daily_ul // 1 + 1)
        total += volume
        assert abs(total - daily_ul * number) < 1  # never a whole µL ahead or behind
    first = TEN_YEARS[0].toordinal()
    assert total == daily_ul * (first + 3_653) // 1 - daily_ul * first // 1


def test_a_days_volume_is_the_difference_of_floors() -> None:
    # 1/3 µL a day: one day in three has 1 µL. 0001-01-02 is day 2: floor(3/3) - floor(2/3) = 1.
    assert [day_volume_ul(Fraction(1, 3), date(1, 1, n)) for n in (1, 2, 3, 4, 5)] == [0, 1, 0, 0, 1]


def test_a_change_a_day_is_a_volume_of_what_is_really_there() -> None:
    of = plan()
    assert daily_volume_ul(of, "alk", plan_strengths(of)) == 24_000  # 24,000 µeq / 1 µeq/µL
    assert daily_volume_ul(of, "alk", {"alk": Strength(2.0), "ca": None}) == 12_000
    assert daily_volume_ul(of, "alk", {"alk": Strength(0.0), "ca": None}) == 0
    assert daily_volume_ul(of, "alk", {"alk": None, "ca": None}) == 0


def test_a_balanced_follower_gives_one_mole_for_two_equivalents() -> None:
    of = plan()
    assert daily_change_umol(of, "ca", plan_strengths(of)) == 12_000
    assert daily_volume_ul(of, "ca", plan_strengths(of)) == 24_000  # of 0.5 mol/L


def test_balanced_calcium_is_20_039_mg_per_l_for_each_meq_per_l() -> None:
    """Ca2+ + 2 HCO3- -> CaCO3 + CO2 + H2O: 20.039 mg/L Ca per meq/L, 7.147 mg/L per dKH.

    Source: stoichiometry with the IUPAC abridged standard atomic weights 2021, Ca 40.078 g/mol; 1 dKH is 0.356627 meq/L
    (10 mg/L CaO, 56.077 g/mol, two equivalents).
    """
    of = plan(evolve(ALK, daily=DailyChange(1_000.0)), CA)  # 1 meq to the litre
    change = daily_change_umol(of, "ca", plan_strengths(of))
    assert change is not None
    assert change / 1000 * 40.078 == pytest.approx(20.039, abs=0.003)
    assert change / 1000 * 40.078 * 0.356627 == pytest.approx(7.147, abs=0.001)


def test_equal_millilitres_pair_0_75_eq_with_0_375_mol() -> None:
    """An alkalinity stock of 0.750 eq/L pairs mL for mL with 0.375 mol/L of calcium (same stoichiometry)."""
    soda = evolve(SODA, strength=Strength(alkalinity_eq_per_l=0.75))
    chloride = evolve(CHLORIDE, strength=Strength(calcium_mol_per_l=0.375))
    of = plan(stocks=(soda, chloride))
    strengths = plan_strengths(of)
    assert daily_volume_ul(of, "alk", strengths) == daily_volume_ul(of, "ca", strengths) == 32_000


def test_alkalinity_may_follow_calcium_and_a_channel_its_like() -> None:
    of = plan(
        evolve(CA, daily=DailyChange(12_000.0)),
        channel("alk", daily=Follows("ca")),
        channel("more", daily=Follows("alk")),
    )
    strengths = plan_strengths(of)
    assert daily_change_umol(of, "alk", strengths) == 24_000
    assert daily_change_umol(of, "more", strengths) == 24_000


def test_a_follower_by_its_own_ratio() -> None:
    magnesium = Stock("mag", Substance.MAGNESIUM, Strength(magnesium_mol_per_l=1.0))
    of = plan(ALK, channel("mg", "mag", Follows("alk", per_meq_umol=30.0)), stocks=(SODA, magnesium))
    assert daily_change_umol(of, "mg", plan_strengths(of)) == 720  # 24 meq * 30
    assert gives(of, "mg") is Substance.MAGNESIUM


def test_a_volume_a_day_does_not_change_with_the_strength() -> None:
    of = plan(channel("alk", daily=DailyVolume(5_000)))
    assert daily_volume_ul(of, "alk", {"alk": Strength(9.0)}) == 5_000
    assert daily_change_umol(of, "alk", {"alk": Strength(9.0)}) == 45_000
    assert daily_change_umol(of, "alk", {"alk": None}) is None


def test_who_follows_a_channel_of_no_strength_gets_nothing() -> None:
    of = plan(channel("alk", daily=DailyVolume(5_000)), CA)
    strengths = {"alk": None, "ca": Strength(0.0, 0.5)}
    assert daily_change_umol(of, "ca", strengths) is None
    assert daily_volume_ul(of, "ca", strengths) == 0
