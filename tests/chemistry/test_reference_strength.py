"""Salts, units, seawater, strength and solubility against the reference values; the sources stand in reference.yaml."""

from __future__ import annotations

import pytest

from dosingd.chemistry import salts, seawater, solubility, stock
from dosingd.chemistry.salts import M_CA, M_CACO3, M_MG, SALTS, formula_mass_g_per_mol, salt_named
from dosingd.plan.model import SaltPortion
from dosingd.records import Substance
from dosingd.units import convert, dkh_from_meq_per_l, meq_per_l_from_dkh, mg_per_l_from_mmol_per_l
from tests.chemistry.reference import ENTRIES, Answer, Entry, hold

ANSWERS: dict[str, Answer] = {"a.atomic_weights": lambda e: dict(salts.ATOMIC_WEIGHT_G_PER_MOL)}
ANSWERS |= {i: lambda e: formula_mass_g_per_mol(e["inputs"]["formula"]) for i in ENTRIES if i.startswith("a.M.")}

BY_FORMULA = {salt.formula: salt for salt in SALTS.values() if salt.name != salts.BAKED_SODA}


def _meq_per_g(entry: Entry) -> float:
    return 1000 * BY_FORMULA[entry["inputs"]["formula"]].per_gram(Substance.ALKALINITY)


for _id in ENTRIES:
    if _id.startswith("b.alk_per_g.") and ENTRIES[_id]["inputs"]["formula"] in BY_FORMULA:
        ANSWERS[_id] = _meq_per_g
    if _id.startswith("b.alk_per_g_dkh.") and ENTRIES[_id]["inputs"]["formula"] in BY_FORMULA:
        ANSWERS[_id] = lambda e: dkh_from_meq_per_l(_meq_per_g(e))


def _soda(name: str, mass_g: float, made_up_to_l: float, assay: float = 1.0) -> stock.Strength:
    return stock.strength_from_salts([SaltPortion(name, mass_g, assay)], made_up_to_l)


def _t90(t68_c: float) -> float:
    return t68_c / 1.00024


ANSWERS |= {
    "b.strength_ratio": lambda e: (
        salt_named("sodium carbonate").per_gram(Substance.ALKALINITY)
        / salt_named("sodium bicarbonate").per_gram(Substance.ALKALINITY)
    ),
    # A gram of calcium carbonate in a litre is 1000 mg/L CaCO3.
    "b.alk_per_g.CaCO3": lambda e: convert("1000 mg/L CaCO3", "meq/L"),
    "b.alk_per_g_dkh.CaCO3": lambda e: convert("1000 mg/L CaCO3", "dKH"),
    "c.dkh_in_meq": lambda e: convert("1 dKH", "meq/L"),
    "c.meq_in_dkh": lambda e: convert("1 meq/L", "dKH"),
    "c.meq_in_caco3": lambda e: convert("1 meq/L", "mg/L CaCO3"),
    "c.dkh_in_caco3": lambda e: convert("1 dKH", "mg/L CaCO3"),
    "c.meq_in_hco3": lambda e: convert("1 meq/L", "mg/L HCO3"),
    "c.ppm_example": lambda e: {
        "meq_per_L": convert("125 mg/L CaCO3", "meq/L"),
        "dKH": convert("125 ppm CaCO3", "dKH"),
    },
    "c.8dkh": lambda e: {
        "meq_per_L": convert("8.00 dKH", "meq/L"),
        "mg_per_L_CaCO3": convert("8.00 dKH", "mg/L as CaCO3"),
    },
    "c.rho_policy": lambda e: seawater.density_kg_per_l(35, _t90(25)),
    "c.ta_per_kg": lambda e: convert("8.00 dKH", "umol/kg", 35, 25),
    "c.teos10.35.25": lambda e: 1000 * seawater.density_kg_per_l(35, 25),
    "c.temp.400F": lambda e: convert("400 degF", "degC"),
    "c.usgal": lambda e: convert("1 gal (US)", "L"),
    "f.guide.rho": lambda e: 1000 * seawater.density_kg_per_l(35, 25),
}
for _id in ENTRIES:
    if _id.startswith("c.eos80."):
        ANSWERS[_id] = lambda e: 1000 * seawater.density_kg_per_l(e["inputs"]["S"], _t90(e["inputs"]["t68_C"]))
    if _id.startswith("g.water."):
        ANSWERS[_id] = lambda e: 1000 * seawater.density_kg_per_l(0, e["inputs"]["t_C"])
    if _id.startswith("c.sg25."):
        ANSWERS[_id] = lambda e: convert(f"{e['inputs']['SP']} g/kg", "sg")
    if _id.startswith("c.sal_from_sg."):
        ANSWERS[_id] = lambda e: convert(f"{e['inputs']['sg_25_25']} sg", "g/kg")


def _ml_for(rise_dkh: float, water_l: float, eq_per_l: float) -> float:
    strength = stock.strength_of(Substance.ALKALINITY, eq_per_l)
    return meq_per_l_from_dkh(rise_dkh) * water_l / strength.of(Substance.ALKALINITY)


def _calcium_stock(entry: Entry) -> stock.Strength:
    inputs = entry["inputs"]
    return _soda("calcium chloride dihydrate", inputs["g_per_L"], 1, inputs["assay"])


ANSWERS |= {
    "d.alk.bicarb": lambda e: _ml_for(0.8, 300, _soda("sodium bicarbonate", 250, 4).alkalinity_eq_per_l),
    "d.alk.carb": lambda e: _ml_for(0.8, 300, 2.0),
    "d.ca.stock": lambda e: {
        "mg_Ca_per_mL": _calcium_stock(e).calcium_mol_per_l * M_CA,
        "mol_per_L": _calcium_stock(e).calcium_mol_per_l,
    },
    "d.ca.dose": lambda e: 15 * 300 / (_calcium_stock(ENTRIES["d.ca.stock"]).calcium_mol_per_l * M_CA),
    "d.mg.dose": lambda e: {
        "mg_Mg_per_mL": (mg := _soda("magnesium chloride hexahydrate", 300, 1).magnesium_mol_per_l * M_MG),
        "mL": 25 * 300 / mg,
    },
    "d.mgso4": lambda e: mg_per_l_from_mmol_per_l(
        _soda("magnesium sulfate heptahydrate", 300, 1).magnesium_mol_per_l, Substance.MAGNESIUM
    ),
    "d.balance.ca_per_meq": lambda e: mg_per_l_from_mmol_per_l(0.5, Substance.CALCIUM),
    "d.balance.ca_per_dkh": lambda e: mg_per_l_from_mmol_per_l(meq_per_l_from_dkh(1) / 2, Substance.CALCIUM),
    "d.balance.caco3_per_dkh": lambda e: meq_per_l_from_dkh(1) / 2 * 300 * M_CACO3 / 1000,
    "i.ca_vs_alk": lambda e: mg_per_l_from_mmol_per_l(meq_per_l_from_dkh(0.2) / 2, Substance.CALCIUM),
}


def _percent(salt: str) -> Answer:
    def answer(entry: Entry) -> dict[str, list[float]]:
        percent = [solubility.saturated_mass_percent(salt, t) for t in entry["inputs"]["T_C"]]
        return {"mass_percent": percent, "g_per_100g_water": [100 * w / (100 - w) for w in percent]}

    return answer


def _most(salt: str, key: str, times: int) -> Answer:
    def answer(entry: Entry) -> dict[str, list[float]]:
        found = [times * solubility.saturated_mol_per_l(salt, t) for t in entry["inputs"]["T_C"]]
        mass = formula_mass_g_per_mol(salt)
        percent = [solubility.saturated_mass_percent(salt, t) for t in entry["inputs"]["T_C"]]
        return {key: found, "density_kg_L": [c / times * mass / 10 / w for c, w in zip(found, percent, strict=True)]}

    return answer


for _salt, _key, _times in (
    ("NaHCO3", "eq_per_L", 1),
    ("Na2CO3", "eq_per_L", 2),
    ("CaCl2", "mol_per_L", 1),
    ("MgCl2", "mol_per_L", 1),
    ("MgSO4", "mol_per_L", 1),
):
    ANSWERS[f"e.sol.{_salt}"] = _percent(_salt)
    ANSWERS[f"e.cmax.{_salt}"] = _most(_salt, _key, _times)


def _half_baked(entry: Entry) -> dict[str, list[object]]:
    found = [solubility.saturated_soda_eq_per_l(x, entry["inputs"]["T_C"]) for x in entry["inputs"]["x"]]
    solid = {"sodium bicarbonate": "nahcolite", "sodium carbonate": "natron"}
    return {"eq_per_L": [most for most, _ in found], "first_solid": [solid[salt] for _, salt in found]}


ANSWERS |= {
    "e.limit.bicarb": lambda e: solubility.NEAR * solubility.saturated_soda_eq_per_l(0, 10)[0],
    "e.limit.carb": lambda e: solubility.NEAR * solubility.saturated_soda_eq_per_l(1, 10)[0],
    "e.partial_bake.10C": _half_baked,
    "e.partial_bake.20C": _half_baked,
}

#: Where handbooks differ the reference itself names the wider tolerance and the value to use: carbonate at 25 degC is
#: taken as 22.5 %, not the 23.5 % of one handbook. g per 100 g of water moves by more than the mass percent does.
WIDER = {"e.sol.Na2CO3": {"rel": 0.06}, "e.cmax.Na2CO3": {"rel": 0.07}}


@pytest.mark.parametrize("identity", ANSWERS)
def test_the_answer_is_the_reference_value_within_its_tolerance(identity: str) -> None:
    hold(identity, ANSWERS[identity](ENTRIES[identity]), WIDER.get(identity))


@pytest.mark.parametrize("salt", ["NaHCO3", "Na2CO3", "CaCl2", "MgCl2", "MgSO4"])
def test_away_from_25_degc_carbonate_keeps_the_narrow_tolerance(salt: str) -> None:
    entry = ENTRIES[f"e.sol.{salt}"]
    for temperature_c, percent in zip(entry["inputs"]["T_C"], entry["value"]["mass_percent"], strict=True):
        wide = 0.05 if temperature_c == 25 and salt == "Na2CO3" else 0.005
        assert solubility.saturated_mass_percent(salt, temperature_c) == pytest.approx(percent, rel=wide)
