"""The CO2 system against PyCO2SYS 1.8 with the same constants, over the waters of reef tanks and their rooms."""

from __future__ import annotations

import random

import numpy as np
import PyCO2SYS as pyco2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.chemistry.carbonate import (
    CARBON_PER_EQ,
    Water,
    carbon_per_eq_of,
    dose_effect,
    dose_effect_of,
    umol_per_kg_from_dkh,
    umol_per_kg_from_meq_per_l,
    water_from_co2,
    water_from_dic,
)
from dosingd.chemistry.salts import Base
from dosingd.errors import ChemistryRefused
from dosingd.plan.model import SaltPortion

#: Total scale, Lueker et al. 2000, bisulfate Dickson 1990, fluoride Perez and Fraga 1987, borate Uppström 1974.
ORACLE = {"opt_pH_scale": 1, "opt_k_carbonic": 10, "opt_k_bisulfate": 1, "opt_k_fluoride": 2, "opt_total_borate": 1}

WATERS = 600


def random_waters() -> list[tuple[float, float, float, float]]:
    """(alkalinity µmol/kg, pCO2 µatm, salinity, degC): 4 to 14 dKH, 250 to 2500 µatm, S 30 to 40, 18 to 30 degC."""
    draw = random.Random(35)
    waters = []
    for _ in range(WATERS):
        salinity, temperature_c = draw.uniform(30, 40), draw.uniform(18, 30)
        alkalinity = umol_per_kg_from_dkh(draw.uniform(4, 14), salinity, temperature_c)
        waters.append((alkalinity, draw.uniform(250, 2500), salinity, temperature_c))
    return waters


def oracle(
    first: list[float], second: list[float], kind: int, salinity: list[float], t: list[float]
) -> dict[str, list[float]]:
    found = pyco2.sys(
        par1=np.array(first),
        par2=np.array(second),
        par1_type=1,
        par2_type=kind,
        salinity=np.array(salinity),
        temperature=np.array(t),
        **ORACLE,
    )
    return {
        key: found[name].tolist()
        for key, name in (("ph", "pH_total"), ("dic", "dic"), ("omega", "saturation_aragonite"), ("pco2", "pCO2"))
    }


def agrees(water: Water, ph: float, dic: float, omega: float, pco2: float) -> bool:
    return (
        abs(water.ph - ph) < 0.001
        and abs(water.dic_umol_per_kg - dic) < 1.0
        and abs(water.omega_aragonite / omega - 1) < 0.003
        and abs(water.pco2_uatm / pco2 - 1) < 0.003
    )


def test_several_hundred_random_waters_agree_with_pyco2sys(capsys: pytest.CaptureFixture[str]) -> None:
    waters = random_waters()
    alkalinity, co2, salinity, t = (list(column) for column in zip(*waters, strict=True))
    expected = oracle(alkalinity, co2, 4, salinity, t)
    worst = 0.0
    for i, (a, p, s, c) in enumerate(waters):
        water = water_from_co2(a, p, s, c)
        assert agrees(water, expected["ph"][i], expected["dic"][i], expected["omega"][i], p), (a, p, s, c)
        back = water_from_dic(a, expected["dic"][i], s, c)
        assert agrees(back, expected["ph"][i], expected["dic"][i], expected["omega"][i], p), (a, p, s, c)
        worst = max(worst, abs(water.ph - expected["ph"][i]), abs(back.ph - expected["ph"][i]))
    with capsys.disabled():
        print(f"\n{WATERS} random waters, largest difference to PyCO2SYS {worst:.6f} pH")


@pytest.mark.parametrize("base", Base)
def test_doses_into_random_waters_agree_with_pyco2sys(base: Base) -> None:
    waters = random_waters()[:200]
    before = [water_from_co2(*water) for water in waters]
    add = [0.05 * (i % 40) * 10 for i in range(len(waters))]  # 0 to 195 µmol/kg, half a dKH and more
    salinity, t = [w[2] for w in waters], [w[3] for w in waters]
    alkalinity = [w.alkalinity_umol_per_kg + a for w, a in zip(before, add, strict=True)]
    dic = [w.dic_umol_per_kg + a * CARBON_PER_EQ[base] for w, a in zip(before, add, strict=True)]
    closed = oracle(alkalinity, dic, 2, salinity, t)
    open_to_air = oracle(alkalinity, [w.pco2_uatm for w in before], 4, salinity, t)
    for i, water in enumerate(before):
        found = dose_effect(water, add[i], base, salinity[i], t[i])
        assert found.after.ph == pytest.approx(closed["ph"][i], abs=0.001)
        assert found.after.omega_aragonite == pytest.approx(closed["omega"][i], rel=0.003)
        assert found.after_exchange.ph == pytest.approx(open_to_air["ph"][i], abs=0.001)
        assert found.delta_ph == pytest.approx(found.after.ph - water.ph)


@given(
    st.floats(4, 14),
    st.floats(250, 2500),
    st.floats(30, 40),
    st.floats(18, 30),
    st.floats(0.001, 1),
    st.sampled_from(Base),
)
def test_carbonate_and_hydroxide_raise_ph_and_the_air_makes_all_bases_alike(
    dkh: float, co2: float, salinity: float, temperature_c: float, add_dkh: float, base: Base
) -> None:
    before = water_from_co2(umol_per_kg_from_dkh(dkh, salinity, temperature_c), co2, salinity, temperature_c)
    add = umol_per_kg_from_dkh(add_dkh, salinity, temperature_c)
    effect = dose_effect(before, add, base, salinity, temperature_c)
    if base is not Base.BICARBONATE:
        assert effect.delta_ph > 0
    else:
        assert effect.delta_ph < dose_effect(before, add, Base.CARBONATE, salinity, temperature_c).delta_ph
    assert effect.after_exchange.pco2_uatm == pytest.approx(co2, rel=1e-9)
    assert effect.after_exchange.ph > before.ph
    other = dose_effect(before, add, Base.HYDROXIDE, salinity, temperature_c)
    assert other.after_exchange == effect.after_exchange


@given(st.floats(1, 30), st.floats(1, 50_000), st.floats(19, 42), st.floats(2, 35))
def test_alkalinity_and_carbon_lead_back_to_the_same_water(dkh: float, co2: float, salinity: float, t: float) -> None:
    water = water_from_co2(umol_per_kg_from_dkh(dkh, salinity, t), co2, salinity, t)
    back = water_from_dic(water.alkalinity_umol_per_kg, water.dic_umol_per_kg, salinity, t)
    assert back.ph == pytest.approx(water.ph, abs=1e-8)
    assert back.pco2_uatm == pytest.approx(co2, rel=1e-6)


def test_a_stock_of_two_bases_brings_the_carbon_of_both() -> None:
    # 84.006 g of bicarbonate and 52.994 g of carbonate are 1 eq each: (1 + 0.5) mol of carbon for 2 eq.
    both = [SaltPortion("sodium bicarbonate", 84.006), SaltPortion("sodium carbonate", 105.988, 0.5)]
    assert carbon_per_eq_of(both) == pytest.approx(0.75)
    assert carbon_per_eq_of([SaltPortion("baked soda", 100)]) == 0.5
    assert carbon_per_eq_of([SaltPortion("calcium hydroxide", 1)]) == 0
    assert carbon_per_eq_of([SaltPortion("calcium chloride dihydrate", 1)]) is None
    assert carbon_per_eq_of([]) is None
    before = water_from_co2(2788, 600)
    found = dose_effect_of(before, 100, 0.75, 35, 25)
    expected = oracle([2888], [before.dic_umol_per_kg + 75], 2, [35], [25])["ph"][0]
    assert found.after.ph == pytest.approx(expected, abs=0.001)


def test_calcium_of_the_tank_counts_for_aragonite() -> None:
    plain = water_from_co2(2500, 500)
    richer = water_from_co2(2500, 500, calcium_mol_per_kg=0.0205690)  # twice that of seawater at 35
    assert richer.omega_aragonite == pytest.approx(2 * plain.omega_aragonite, rel=1e-4)
    assert richer.ph == plain.ph


def test_per_kilogram_goes_by_the_density_of_the_water() -> None:
    assert umol_per_kg_from_meq_per_l(1.023343, 35, 25) == pytest.approx(1000, rel=1e-5)


@pytest.mark.parametrize(
    ("alkalinity", "co2", "salinity", "temperature_c"),
    [
        (0, 400, 35, 25),
        (-5, 400, 35, 25),
        (2500, 0, 35, 25),
        (2500, float("nan"), 35, 25),
        (float("inf"), 400, 35, 25),
        (2500, 400, 18, 25),
        (2500, 400, 42.5, 25),
        (2500, 400, 35, 1),
        (2500, 400, 35, 36),
    ],
)
def test_what_is_no_tank_is_refused(alkalinity: float, co2: float, salinity: float, temperature_c: float) -> None:
    with pytest.raises(ChemistryRefused):
        water_from_co2(alkalinity, co2, salinity, temperature_c)


def test_a_dose_that_takes_away_is_refused_and_so_is_a_ph_off_the_scale() -> None:
    water = water_from_co2(2500, 400)
    with pytest.raises(ChemistryRefused):
        dose_effect(water, -1, Base.CARBONATE, 35, 25)
    with pytest.raises(ChemistryRefused):
        water_from_dic(2500, 0)
    with pytest.raises(ChemistryRefused, match="pH 2 to 13"):
        water_from_dic(900_000, 10)
