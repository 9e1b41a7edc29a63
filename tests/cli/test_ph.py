"""`dosingd ph` against PyCO2SYS 1.8: total scale, Lueker K1 and K2, the Guide's other constants, Uppström's borate."""

from __future__ import annotations

import random
import re

import gsw
import PyCO2SYS as pyco2
import pytest

from tests.cli.running import say

Capture = pytest.CaptureFixture[str]

ORACLE = {"opt_pH_scale": 1, "opt_k_carbonic": 10, "opt_k_bisulfate": 1, "opt_k_fluoride": 2, "opt_total_borate": 1}
CARBON = {"carbonate": 0.5, "bicarbonate": 1.0, "hydroxide": 0.0}
EIGHT = ["ph", "--alkalinity", "8 dKH", "--add", "0.5 dKH", "--as", "carbonate"]


def _solved(alkalinity: float, second: float, kind: int, salinity: float, temperature_c: float) -> dict[str, float]:
    found = pyco2.sys(
        par1=alkalinity,
        par2=second,
        par1_type=1,
        par2_type=kind,
        salinity=salinity,
        temperature=temperature_c,
        **ORACLE,
    )
    return {
        "ph": float(found["pH_total"]),
        "omega_aragonite": float(found["saturation_aragonite"]),
        "dic_umol_per_kg": float(found["dic"]),
        "alkalinity_umol_per_kg": alkalinity,
    }


def _kg_per_l(salinity: float, temperature_c: float) -> float:
    absolute = gsw.SA_from_SP(salinity, 0, 0, 0)
    return float(gsw.rho(absolute, gsw.CT_from_t(absolute, temperature_c, 0), 0)) / 1000


@pytest.mark.parametrize("base", CARBON)
def test_random_waters_agree_with_the_oracle(base: str, capsys: Capture) -> None:
    draw = random.Random(base)
    for _ in range(8):
        salinity, temperature_c = round(draw.uniform(30, 40), 1), round(draw.uniform(18, 30), 1)
        dkh, add, co2 = round(draw.uniform(4, 14), 2), round(draw.uniform(0.01, 1), 2), round(draw.uniform(250, 2500))
        said = say(
            capsys, "ph", "--alkalinity", f"{dkh} dKH", "--salinity", f"{salinity} g/kg", "--temperature",
            f"{temperature_c} degC", "--co2", f"{co2} ppm", "--add", f"{add} dKH", "--as", base, "--json",
        )  # fmt: skip
        assert said.status == 0
        # 1 dKH is 356.652 µeq/L (IUPAC 2021).
        per_dkh = 356.65246 / _kg_per_l(salinity, temperature_c)
        alkalinity, after = dkh * per_dkh, (dkh + add) * per_dkh
        before = _solved(alkalinity, co2, 4, salinity, temperature_c)
        dic = before["dic_umol_per_kg"] + add * per_dkh * CARBON[base]
        closed = _solved(after, dic, 2, salinity, temperature_c)
        aired = _solved(after, co2, 4, salinity, temperature_c)
        for name, expected in (("before", before), ("after", closed), ("after_exchange", aired)):
            found = said.data[name]
            assert found["ph"] == pytest.approx(expected["ph"], abs=0.001)
            assert found["omega_aragonite"] == pytest.approx(expected["omega_aragonite"], rel=0.003)
            assert found["dic_umol_per_kg"] == pytest.approx(expected["dic_umol_per_kg"], abs=1)
            assert found["alkalinity_umol_per_kg"] == pytest.approx(expected["alkalinity_umol_per_kg"], abs=0.2)
        assert said.data["delta_ph"] == pytest.approx(closed["ph"] - before["ph"], abs=0.0005)


def test_the_keys_of_the_answer_are_those_that_programs_rely_on(capsys: Capture) -> None:
    data = say(capsys, *EIGHT, "--json").data
    assert {"before", "after", "after_exchange", "delta_ph"} <= set(data)
    for water in ("before", "after", "after_exchange"):
        assert {"ph", "omega_aragonite", "dic_umol_per_kg", "alkalinity_umol_per_kg"} <= set(data[water])
    assert data["delta_ph"] == pytest.approx(data["after"]["ph"] - data["before"]["ph"], abs=2e-6)


def test_units_of_alkalinity_and_defaults(capsys: Capture) -> None:
    plain = say(capsys, *EIGHT, "--json").data
    whole = [*EIGHT, "--co2", "400 ppm", "--salinity", "35 ppt", "--temperature", "77 degF", "--json"]
    assert say(capsys, *whole).data == plain
    assert say(capsys, *whole, "--co2", "400").data == plain  # the option's name says ppm
    in_meq = ["ph", "--alkalinity", "2.85322 meq/L", "--add", "0.178326 meq/L", "--as", "carbonate", "--json"]
    assert say(capsys, *in_meq).data["after"]["ph"] == pytest.approx(plain["after"]["ph"], abs=1e-5)
    per_kg = ["ph", "--alkalinity", "2788.14 umol/kg", "--add", "174.26 umol/kg", "--as", "carbonate", "--json"]
    assert say(capsys, *per_kg).data["after"]["ph"] == pytest.approx(plain["after"]["ph"], abs=1e-5)
    assert say(capsys, "--json", *EIGHT).data == plain


def test_the_carbon_of_the_water_may_be_said_instead_of_the_air(capsys: Capture) -> None:
    plain = say(capsys, *EIGHT, "--co2", "600 ppm", "--json").data
    dic = plain["before"]["dic_umol_per_kg"]
    for said in (f"{dic} umol/kg", f"{dic / 1000 * _kg_per_l(35, 25):.6f} mmol/L"):
        found = say(capsys, *EIGHT, "--dic", said, "--json").data
        assert found["before"]["pco2_uatm"] == pytest.approx(600, rel=2e-4)
        assert found["delta_ph"] == pytest.approx(plain["delta_ph"], abs=1e-4)
        assert found["after_exchange"]["ph"] == pytest.approx(plain["after_exchange"]["ph"], abs=1e-4)


def test_bicarbonate_lowers_the_ph_at_first_and_the_air_makes_all_bases_alike(capsys: Capture) -> None:
    found = {
        base: say(capsys, *EIGHT[:-1], base, "--co2", "600 ppm", "--json").data
        for base in ("carbonate", "bicarbonate", "hydroxide")
    }
    assert found["bicarbonate"]["delta_ph"] < 0 < found["carbonate"]["delta_ph"] < found["hydroxide"]["delta_ph"]
    assert found["bicarbonate"]["after_exchange"] == found["hydroxide"]["after_exchange"]


def test_the_nbs_scale_reads_higher_by_what_is_said(capsys: Capture) -> None:
    waters = [(30, 18), (35, 25), (40, 30)]
    for salinity, temperature_c in waters:
        found = pyco2.sys(
            par1=2800, par2=500, par1_type=1, par2_type=4, salinity=salinity, temperature=temperature_c, **ORACLE
        )
        assert float(found["pH_nbs"] - found["pH_total"]) == pytest.approx(0.13, abs=0.03)
    assert "about 0.13 higher" in say(capsys, *EIGHT).out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([*EIGHT, "--salinity", "15 g/kg"], "outside 19 to 42"),
        ([*EIGHT, "--salinity", "60 g/kg"], "outside 0 to 42"),
        ([*EIGHT, "--temperature", "37 degC"], "outside 2 to 35"),
        ([*EIGHT, "--temperature", "120 degF"], "outside -2 to 40"),
        ([*EIGHT, "--co2", "0 ppm"], "must be above zero"),
        ([*EIGHT, "--co2", "much"], "--co2"),
        ([*EIGHT, "--co2", "600 ppm", "--dic", "2100 umol/kg"], "Keep one of them"),
        ([*EIGHT, "--dic", "2100 ppm"], "--dic: "),
        ([*EIGHT, "--dic", "0 umol/kg"], "must be above zero"),
        (["ph", "--alkalinity", "0 dKH", "--add", "0.5 dKH", "--as", "carbonate"], "1 to 30 dKH"),
        (["ph", "--alkalinity", "0.5 dKH", "--add", "0.5 dKH", "--as", "carbonate"], "1 to 30 dKH"),
        (["ph", "--alkalinity", "1500 dKH", "--add", "0.5 dKH", "--as", "carbonate"], "1500 dKH is no tank's"),
        (["ph", "--alkalinity", "8 dKH", "--add", "500 dKH", "--as", "carbonate"], "makes 508 dKH"),
        (["ph", "--alkalinity", "8 dKH", "--add", "22.1 dKH", "--as", "carbonate"], "1 to 30 dKH"),
        ([*EIGHT, "--co2", "999999 ppm"], "50 to 10000 µatm"),
        ([*EIGHT, "--co2", "1 ppm"], "50 to 10000 µatm"),
        ([*EIGHT, "--dic", "1 umol/kg"], "50 to 10000 µatm"),
        ([*EIGHT, "--calcium", "4 mg/L"], "100 to 1000 mg/L"),
        ([*EIGHT, "--calcium", "42 g/L"], "100 to 1000 mg/L"),
        ([*EIGHT, "--calcium", "430 ppm"], "write mg/L"),
        (["ph", "--alkalinity", "8", "--add", "0.5 dKH", "--as", "carbonate"], "--alkalinity: "),
        (["ph", "--alkalinity", "8 dKH", "--add", "-0.5 dKH", "--as", "carbonate"], "--add: "),
        (["ph", "--alkalinity", "8 dKH", "--add", "20 ppm", "--as", "carbonate"], "as CaCO3?"),
        (["ph", "--alkalinity", "8 dKH", "--add", "20 mL", "--as", "carbonate"], "here belongs an alkalinity"),
        ([*EIGHT[:-1], "chalk"], "hydroxide"),
        (["ph", "--alkalinity", "8 dKH", "--as", "carbonate"], "--add"),
        (["ph", "--alkalinity", "8 dKH", "--add", "2000 dKH", "--as", "hydroxide"], "chalk falls out"),
    ],
)
def test_what_makes_no_sense_gets_one_clear_sentence_and_status_2(
    arguments: list[str], says: str, capsys: Capture
) -> None:
    in_words = say(capsys, *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert says in in_words.err
    in_json = say(capsys, "--json", *arguments)
    assert in_json.status == 2
    assert says in in_json.data["error"]["message"]


@pytest.mark.parametrize("calcium_mg_per_l", [None, 330, 480, 620])
def test_aragonite_agrees_with_the_oracle_for_any_calcium(calcium_mg_per_l: int | None, capsys: Capture) -> None:
    line = [*EIGHT, "--co2", "550 ppm", "--temperature", "26 degC", "--json"]
    said = say(capsys, *line, *([] if calcium_mg_per_l is None else ["--calcium", f"{calcium_mg_per_l} mg/L"])).data
    kg_per_l = _kg_per_l(35, 26)
    # Ca 40.078 g/mol (IUPAC 2021).
    total = {} if calcium_mg_per_l is None else {"total_calcium": calcium_mg_per_l / 40.078 * 1000 / kg_per_l}
    for name, kind, second in (("before", 4, 550), ("after", 2, said["after"]["dic_umol_per_kg"])):
        found = pyco2.sys(
            par1=said[name]["alkalinity_umol_per_kg"], par2=second, par1_type=1, par2_type=kind,
            salinity=35, temperature=26, **total, **ORACLE,
        )  # fmt: skip
        assert said[name]["omega_aragonite"] == pytest.approx(float(found["saturation_aragonite"]), rel=0.003)


def _omegas(dkh: float, add: float, co2: float, base: str) -> list[float]:
    """Aragonite saturation before, after and after gas exchange at S 35, 25 degC, by the oracle alone."""
    per_dkh = 356.65246 / _kg_per_l(35, 25)
    before = _solved(dkh * per_dkh, co2, 4, 35, 25)
    dic = before["dic_umol_per_kg"] + add * per_dkh * CARBON[base]
    waters = [before, _solved((dkh + add) * per_dkh, dic, 2, 35, 25), _solved((dkh + add) * per_dkh, co2, 4, 35, 25)]
    return [water["omega_aragonite"] for water in waters]


@pytest.mark.parametrize(
    ("dkh", "add", "co2", "base"),
    [
        (8, 0.05, 700, "carbonate"),
        (8, 0.5, 400, "carbonate"),
        (8, 0.5, 400, "hydroxide"),
        (8, 1.2, 400, "carbonate"),
        (9.5, 0.1, 400, "bicarbonate"),
        (10.5, 0.1, 400, "carbonate"),
        (12, 0.1, 400, "carbonate"),
        (12, 0.1, 1200, "carbonate"),
        (8, 5, 400, "hydroxide"),
    ],
)
def test_chalk_is_warned_of_above_a_saturation_of_seven_before_and_after(
    dkh: float, add: float, co2: float, base: str, capsys: Capture
) -> None:
    """Runaway precipitation above 7, none up to 5: Moras et al. 2022, Biogeosciences 19, 3537 (figures from memory)."""
    omegas = _omegas(dkh, add, co2, base)
    assert all(abs(omega - 7) > 0.03 and abs(omega - 5) > 0.03 for omega in omegas), "a case that decides nothing"
    line = ["ph", "--alkalinity", f"{dkh} dKH", "--add", f"{add} dKH", "--co2", f"{co2} ppm", "--as", base]
    said = say(capsys, *line, "--json").data
    words = " ".join(say(capsys, *line).out.split())
    assert said["precipitates"] is any(omega > 7 for omega in omegas)
    assert ("Chalk: " in words) is said["precipitates"]
    for when, omega in zip(("before the dose", "after it", "after gas exchange"), omegas, strict=True):
        assert (f"{when} ({omega:.1f})" in words) is (omega > 7)
    assert ("did not fall out" in words) is (5 < max(omegas) < 7)
    assert ("Do not add" in words) is (omegas[0] > 7)
    assert ("Give less: it would stay there" in words) is (omegas[0] < 7 < omegas[2])
    assert ("dKH at once is much" in words) is (add > 0.5)
    assert "outlet" in words
    assert "common practice, no source" in words


def test_water_in_which_skeletons_dissolve_is_warned_of(capsys: Capture) -> None:
    line = ["--add", "0.1 dKH", "--as", "carbonate", "--co2", "3000 ppm"]
    for dkh in (5, 8):
        expected = _omegas(dkh, 0.1, 3000, "carbonate")[0] < 1
        assert ("skeletons and sand dissolve" in " ".join(
            say(capsys, "ph", "--alkalinity", f"{dkh} dKH", *line).out.split()
        )) is expected  # fmt: skip
    assert _omegas(5, 0.1, 3000, "carbonate")[0] < 1 < _omegas(8, 0.1, 1500, "carbonate")[0]


def test_a_person_sees_no_more_digits_than_are_known(capsys: Capture) -> None:
    out = say(capsys, *EIGHT).out
    assert re.search(r"^pH, total scale +8\.11 +8\.20 +8\.14$", out, re.M)  # PyCO2SYS: 8.1135, 8.1990, 8.1353
    assert re.search(r"^aragonite saturation +4\.7 +5\.7 +5\.2$", out, re.M)  # 4.659, 5.731, 5.152
    assert re.search(r"^alkalinity, dKH +8\.00 +8\.50 +8\.50$", out, re.M)
    assert "-0.0" not in say(capsys, "ph", "--alkalinity", "8 dKH", "--add", "0 dKH", "--as", "carbonate").out


def test_it_reads_at_80_columns(capsys: Capture) -> None:
    out = say(capsys, *EIGHT, "--co2", "2499.5 ppm", "--temperature", "26.75 degC").out
    assert max(map(len, out.splitlines())) <= 80
    assert "total scale" in out
