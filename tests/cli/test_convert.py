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


@pytest.mark.parametrize(
    ("quantity", "unit", "goes_by"),
    [
        ("35 PSU", "g/kg", "practical salinity"),
        ("35 g/kg", "ppt", "practical salinity"),
        ("35 g/kg", "g/kg", None),
        ("1.0264 sg", "SG", None),
        ("1.0264 sg", "g/kg", "25/25"),
        ("35 g/kg", "sg", "25/25"),
        ("8 dKH", "umol/kg", "By the density"),
        ("8 dKH", "meq/L", None),
        ("2 mmol/kg", "umol/kg", None),
        ("420 mg/kg Ca", "mg/L Ca", "By the density"),
        ("420 mg/kg Ca", "mmol/kg Ca", None),
        ("400 ppm", "uatm", "µatm"),
        ("1 kg", "lb", None),
    ],
)
def test_only_what_enters_is_named(quantity: str, unit: str, goes_by: str | None, capsys: Capture) -> None:
    said = say(capsys, "convert", quantity, unit, "--json").data["convention"]
    text = " ".join(say(capsys, "convert", quantity, unit).out.split())
    named = [each for each in ("practical salinity", "25/25", "By the density", "µatm") if each in (said or "")]
    assert named == ([] if goes_by is None else [goes_by])
    assert (said is None) is (goes_by is None)
    assert said is None or said in text


def test_absolute_salinity_is_higher_by_what_is_said(capsys: Capture) -> None:
    assert gsw.SA_from_SP(35, 0, 0, 0) / 35 - 1 == pytest.approx(0.005, abs=0.0003)  # TEOS-10
    assert "0.5 % higher" in say(capsys, "convert", "35 PSU", "g/kg").out


def test_what_is_said_of_the_water_in_vain_is_told_so_and_refuses_nothing(capsys: Capture) -> None:
    said = say(capsys, "convert", "8 dKH", "meq/L", "--salinity", "50 g/kg")
    assert said.status == 0
    assert "--salinity made no difference" in said.out
    both = say(capsys, "convert", "35 ppt", "sg", "--salinity", "30 g/kg", "--temperature", "20 degC").out
    assert "--salinity and --temperature made no difference" in both
    assert "no difference" not in say(capsys, "convert", "8 dKH", "umol/kg", "--salinity", "33 g/kg").out


@pytest.mark.parametrize("minus", ["-", "\u2212", "\u2013"])
@pytest.mark.parametrize("space", ["", " ", "\u00a0", "\u202f", "\u2009"])
def test_a_typesetters_minus_and_spaces_are_read(minus: str, space: str, capsys: Capture) -> None:
    said = say(capsys, "convert", f"{minus}40{space}degF", "degC", "--json")
    assert said.status == 0
    assert said.data["value"] == pytest.approx(-40)  # where the two scales meet
    assert say(capsys, "convert", f"{minus}40{space}\u2109", "\u2103", "--json").data["value"] == pytest.approx(-40)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["meq/L", "8 dKH"], 'The quantity comes first and then the unit: dosingd convert "8 dKH" "meq/L"'),
        (["1.0264", "ppt"], "Write a salinity such as 35 g/kg or 1.0264 sg."),
        (["8 dKH", ""], "the unit to convert it to is missing"),
        (["", "dKH"], "Nothing is said"),
        (["8 dkh", "MEQ/L"], 'Did you mean "meq/L"?'),
        # A French degree is 10 mg/L CaCO3 and a German one 17.8: no guess between them.
        (["8 °fH", "dKH"], "a French degree is 10 mg/L CaCO3"),
        (["8 °Clark", "dKH"], "an English degree is 14.25 mg/L CaCO3"),
        (["8 wombats", "furlongs"], "such as 1.2 dKH, or 25.5 degC, or 190 g"),
    ],
)
def test_a_slip_is_answered_with_the_cure_in_a_line_or_two(arguments: list[str], says: str, capsys: Capture) -> None:
    said = say(capsys, "convert", *arguments)
    assert (said.status, said.out) == (2, "")
    assert says in said.err
    assert len(said.err) < 240


@pytest.mark.parametrize(
    ("quantity", "unit", "shown"),
    [
        ("8 dKH", "meq/L", "2.853"),  # 20 / 56.077, with calcium known to 1 in 10,000
        ("8 dKH", "mg/L CaCO3", "142.8"),
        ("35 ppt", "sg", "1.0264"),  # the best refractometers read to 0.0001 to 0.0005
        ("1.026 sg", "ppt", "34.5"),
        ("78 degF", "degC", "25.56"),
        ("999999999999 L", "uL", "999999999999000000"),
        ("0.001 mL", "L", "0.000001"),
    ],
)
def test_a_person_sees_the_digits_that_are_known(quantity: str, unit: str, shown: str, capsys: Capture) -> None:
    assert say(capsys, "convert", quantity, unit).out.splitlines()[0] == f"{quantity} is {shown} {unit}"
