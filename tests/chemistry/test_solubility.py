"""Whether stocks stay dissolved: beyond the handbook's points, which test_reference_strength.py holds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.chemistry.solubility import SATURATED, saturated_mol_per_l, saturated_soda_eq_per_l, saturation
from dosingd.errors import ChemistryRefused
from dosingd.plan.model import SaltPortion


def test_a_stock_at_saturation_is_at_one_and_margin_is_called_near() -> None:
    # 2.273 eq/L at 10 degC: CRC mass percent with Laliberté's density. 2.273 / 2 * 105.988 = 120.46 g/L.
    full = saturation([SaltPortion("sodium carbonate", 120.46, 1.0)], 1, 10)
    assert full.fraction == pytest.approx(1.0, abs=0.001)
    assert full.limiting == "sodium carbonate"
    assert full.exact
    near = saturation([SaltPortion("sodium carbonate", 0.95 * 120.46, 1.0)], 1, 10)
    assert (near.dissolves, near.near) == (True, True)
    over = saturation([SaltPortion("sodium carbonate", 1.01 * 120.46, 1.0)], 1, 10)
    assert (over.dissolves, over.near) == (False, False)
    assert not saturation([SaltPortion("sodium carbonate", 60, 1.0)], 1, 10).near


def test_hydrates_count_by_what_they_put_into_the_water() -> None:
    one = saturation([SaltPortion("calcium chloride anhydrous", 110.978)], 1, 15)
    other = saturation([SaltPortion("calcium chloride hexahydrate", 219.068)], 1, 15)
    assert one.fraction == pytest.approx(other.fraction) == pytest.approx(1 / 5.118, rel=0.001)


def test_half_baked_soda_dissolves_like_bicarbonate() -> None:
    portion = [SaltPortion("baked soda", 250)]
    baked, half, raw = (saturation(portion, 1, 10, conversion) for conversion in (1.0, 0.5, 0.0))
    assert baked.fraction == pytest.approx(2.976 / 2.273, rel=0.002)
    assert half.fraction == pytest.approx(2.976 / 1.55, rel=0.06)  # phreeqc with frezchem.dat
    assert raw.fraction == pytest.approx(2.976 / 0.953, rel=0.002)
    assert not half.exact
    assert baked.caution is not None
    assert "constant mass" in baked.caution


@given(st.sampled_from(sorted(SATURATED)), st.floats(0, 29.9), st.floats(0.01, 0.1))
def test_warmer_water_never_holds_less(salt: str, temperature_c: float, step_c: float) -> None:
    assert saturated_mol_per_l(salt, temperature_c + step_c) >= saturated_mol_per_l(salt, temperature_c)


@pytest.mark.parametrize(("cold_c", "warm_c"), [(0, 10), (10, 15), (15, 20), (20, 25), (25, 30)])
def test_between_two_points_carbonate_stays_below_the_chord(cold_c: float, warm_c: float) -> None:
    # The curve of natron bends upwards, so the chord between two handbook points promises too much.
    chord = (saturated_mol_per_l("Na2CO3", cold_c) + saturated_mol_per_l("Na2CO3", warm_c)) / 2
    assert saturated_mol_per_l("Na2CO3", (cold_c + warm_c) / 2) < chord


@given(st.floats(0, 30), st.floats(0, 1))
def test_mixed_soda_never_promises_more_than_the_salts_apart(temperature_c: float, share: float) -> None:
    # The common sodium holds them back: together they dissolve no better than each in its own water.
    most, _ = saturated_soda_eq_per_l(share, temperature_c)
    assert most <= saturated_mol_per_l("NaHCO3", temperature_c) + 2 * saturated_mol_per_l("Na2CO3", temperature_c)


def test_sulfate_in_a_calcium_stock_makes_gypsum() -> None:
    stock = [SaltPortion("calcium chloride dihydrate", 100), SaltPortion("magnesium sulfate heptahydrate", 20)]
    found = saturation(stock, 1, 20)
    assert found.fraction > 1
    assert found.limiting.startswith("gypsum")
    assert found.caution is not None
    assert "magnesium chloride" in found.caution


def test_two_chlorides_share_the_water() -> None:
    calcium, magnesium = (
        [SaltPortion("calcium chloride dihydrate", 400)],
        [SaltPortion("magnesium chloride hexahydrate", 500)],
    )
    both = saturation(calcium + magnesium, 1, 20)
    assert both.fraction == pytest.approx(saturation(calcium, 1, 20).fraction + saturation(magnesium, 1, 20).fraction)
    assert not both.exact
    assert both.caution is not None


def test_hydroxide_turns_bicarbonate_into_carbonate_before_it_crowds_it_out() -> None:
    turned = saturation([SaltPortion("sodium bicarbonate", 84.006), SaltPortion("sodium hydroxide", 39.997)], 1, 10)
    carbonate = saturation([SaltPortion("sodium carbonate", 105.988)], 1, 10)
    assert turned.fraction == pytest.approx(carbonate.fraction, rel=1e-3)
    crowded = saturation([SaltPortion("sodium carbonate", 105.988), SaltPortion("sodium hydroxide", 80)], 1, 10)
    assert crowded.fraction > carbonate.fraction


def test_lime_is_nearly_insoluble_and_strong_lye_is_not() -> None:
    assert saturation([SaltPortion("calcium hydroxide", 3)], 1, 20).fraction > 1
    assert saturation([SaltPortion("calcium hydroxide", 1)], 1, 20).fraction < 1
    assert saturation([SaltPortion("sodium hydroxide", 80)], 1, 20).fraction < 0.5


@pytest.mark.parametrize("temperature_c", [-0.1, 30.1, float("nan")])
def test_outside_the_table_is_refused(temperature_c: float) -> None:
    with pytest.raises(ChemistryRefused, match="outside 0 to 30"):
        saturation([SaltPortion("sodium carbonate", 100)], 1, temperature_c)


def test_a_conversion_or_share_that_cannot_be_is_refused() -> None:
    with pytest.raises(ChemistryRefused, match="0 to 100 %"):
        saturation([SaltPortion("baked soda", 100)], 1, 20, conversion=1.05)
    with pytest.raises(ChemistryRefused, match="0 to 100 %"):
        saturated_soda_eq_per_l(-0.1, 20)
    with pytest.raises(ChemistryRefused, match="no solubility table"):
        saturated_mol_per_l("NaCl", 20)
