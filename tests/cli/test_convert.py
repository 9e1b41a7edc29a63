"""`dosingd convert`. Definitions: SI and the trade's; seawater by EOS-80, 1.023343 kg/L at 35 and 25 degC."""

from __future__ import annotations

import gsw
import pytest

from tests.cli.running import say

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize(
    ("quantity", "unit", "value"),
    [
        ("8 dKH", "meq/L", 8 * 0.35665246),
        ("2.5 meq/L", "dKH", 2.5 / 0.35665246),
        ("7.5 dKH", "mg/L CaCO3", 7.5 * 17.8481),
        ("140 mg/L CaCO3", "dKH", 140 / 17.8481),
        ("140 ppm CaCO3", "meq/L", 140 / 50.043),
        ("8 dKH", "umol/kg", 8 * 0.35665246 / 1.023343 * 1000),
        ("2400 umol/kg", "dKH", 2400 * 1.023343 / 1000 / 0.35665246),
        ("10 gal (US)", "L", 37.85411784),
        ("100 L", "gal (US)", 26.4172),
        ("78 degF", "degC", 25.5556),
        ("-4 degF", "degC", -20),
        ("-20 degC", "degF", -4),
        ("420 mg/L Ca", "mmol/L", 420 / 40.078),
        ("35 ppt", "g/kg", 35),
    ],
)
def test_what_keepers_convert(quantity: str, unit: str, value: float, capsys: Capture) -> None:
    said = say(capsys, "convert", quantity, unit, "--json")
    assert said.status == 0
    assert said.data["unit"] == unit
    assert said.data["value"] == pytest.approx(value, rel=2e-5)
    assert said.data == say(capsys, "--json", "convert", quantity, unit).data


def test_salinity_and_temperature_count_where_the_density_does(capsys: Capture) -> None:
    given = ["convert", "8 dKH", "umol/kg", "--json", "--salinity", "33 g/kg", "--temperature", "81.5 degF"]
    density = gsw.rho(gsw.SA_from_SP(33, 0, 0, 0), gsw.CT_from_t(gsw.SA_from_SP(33, 0, 0, 0), 27.5, 0), 0) / 1000
    assert say(capsys, *given).data["value"] == pytest.approx(8 * 356.65246 / density, rel=1e-4)
    in_sg = say(capsys, *given[:-4], "--salinity", "1.0249 sg", "--temperature", "27.5 degC").data
    assert in_sg["value"] == pytest.approx(8 * 356.65246 / density, rel=1e-4)


@pytest.mark.parametrize("salinity", [30, 33, 36.5])
def test_specific_gravity_is_25_over_25_and_says_so(salinity: float, capsys: Capture) -> None:
    absolute = gsw.SA_from_SP(salinity, 0, 0, 0)
    expected = gsw.rho(absolute, gsw.CT_from_t(absolute, 25, 0), 0) / gsw.rho(0, gsw.CT_from_t(0, 25, 0), 0)
    said = say(capsys, "convert", f"{salinity} g/kg", "sg", "--json")
    assert said.data["value"] == pytest.approx(expected, abs=1e-5)
    assert "25/25" in said.data["convention"]
    back = say(capsys, "convert", f"{expected:.6f} sg", "ppt", "--json")
    assert back.data["value"] == pytest.approx(salinity, abs=0.02)
    assert "25/25" in say(capsys, "convert", f"{expected:.6f} sg", "ppt").out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["8 dKH", "mL"], "does not convert to mL"),
        (["420 mg/L", "mmol/L"], "of which element?"),
        (["125 ppm", "dKH"], "as CaCO3?"),
        (["8", "dKH"], "a unit is missing"),
        (["8 dKH", "furlong"], "not a unit known here"),
        (["1 gal", "L"], "gal (US) or gal (UK)"),
        (["25 C", "degF"], "write degC"),
        (["1,5 dKH", "meq/L"], "1.5 dKH"),
        (["-1 dKH", "meq/L"], "negative"),
        (["8 dKH", "umol/kg", "--salinity", "50 g/kg"], "outside 0 to 42"),
        (["8 dKH", "umol/kg", "--temperature", "60 degC"], "outside -2 to 40"),
        (["1.05 sg", "ppt"], "salinity 0 to 42"),
        (["8 dKH"], "UNIT"),
        (["8", "dKH", "meq/L"], "meq/L"),
        (["8 dKH", "meq/L", "--salinty", "35 g/kg"], "--salinty"),
        (["-400 degC", "degF"], "absolute zero"),
    ],
)
def test_what_does_not_convert_is_refused_in_words(arguments: list[str], says: str, capsys: Capture) -> None:
    in_words = say(capsys, "convert", *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert says in in_words.err
    in_json = say(capsys, "--json", "convert", *arguments)
    assert in_json.status == 2
    assert says in in_json.data["error"]["message"]


def test_an_answer_that_goes_by_the_density_says_so(capsys: Capture) -> None:
    given = ["--salinity", "33 g/kg", "--temperature", "26 degC"]
    assert "By the density of seawater at 33 g/kg and 26 degC" in say(capsys, "convert", "8 dKH", "umol/kg", *given).out
    assert "density" not in say(capsys, "convert", "8 dKH", "meq/L", *given).out
    assert "density" not in say(capsys, "convert", "2 mmol/kg", "umol/kg", *given).out


def test_it_reads_at_80_columns(capsys: Capture) -> None:
    for arguments in (["8 dKH", "umol/kg"], ["1.0264 sg", "ppt"], ["75 gal (US)", "L"]):
        out = say(capsys, "convert", *arguments).out
        assert max(map(len, out.splitlines())) <= 80
    assert say(capsys, "convert", "75 gal (US)", "L").out == "75 gal (US) is 283.906 L\n"
