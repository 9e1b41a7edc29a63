"""Quantities: what is read, exactly; and what is refused, with one sentence that says the cure.

Definitions: SI; US gallon 231 cubic inches, imperial gallon 4.54609 L, pound 453.59237 g (all exact by definition).
"""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd import units
from dosingd.errors import UnitRefused
from dosingd.records import Substance
from dosingd.units import Kind, convert, quantity
from dosingd.units.spellings import EXAMPLE, SPELLINGS


@pytest.mark.parametrize(
    ("text", "volume_ul"),
    [
        ("0.3 mL", 300),  # in binary floats 0.3 * 1000 is below 300
        ("4.35mL", 4350),
        ("  68   ml ", 68_000),
        ("2 L", 2_000_000),
        ("1.5 µL", 1),
        ("1.5 μL", 1),  # the other micro sign
        ("75 gal (US)", 283_905_883),
        ("1 gal (UK)", 4_546_090),
        ("0 mL", 0),
        ("1e3 mL", 1_000_000),
        ("0.0019999 mL", 1),
    ],
)
def test_a_volume_is_whole_microlitres_rounded_down(text: str, volume_ul: int) -> None:
    assert units.volume_ul(text) == volume_ul


@given(st.integers(0, 10**9))
def test_whole_microlitres_come_through_exactly_whatever_the_unit(volume_ul: int) -> None:
    assert units.volume_ul(f"{volume_ul} uL") == volume_ul
    assert units.volume_ul(f"{volume_ul // 1000}.{volume_ul % 1000:03d} mL") == volume_ul
    assert units.volume_ul(f"{volume_ul // 10**6}.{volume_ul % 10**6:06d} L") == volume_ul


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (units.volume_l, "280 L", 280.0),
        (units.flow_ul_per_s, "15 mL/min", 250.0),
        (units.flow_ul_per_s, "0.9 L/h", 250.0),
        (units.duration_s, "7 days", 604_800.0),
        (units.duration_s, "15 min", 900.0),
        (units.mass_g, "190 g", 190.0),
        (units.mass_g, "1 oz", 28.349523125),
        (units.mass_g, "1.5 kg", 1500.0),
        (units.fraction, "98.5 %", 0.985),
        (units.fraction, "60%", 0.6),
        (units.temperature_c, "25.5 degC", 25.5),
        (units.temperature_c, "77 degF", 25.0),
        (units.temperature_c, "-40 degF", -40.0),
        (units.temperature_c, "300 K", 26.85),
        (units.salinity, "35 g/kg", 35.0),
        (units.salinity, "35 ppt", 35.0),
        (units.co2_uatm, "700 ppm", 700.0),
        (units.density_kg_per_l, "998.2 kg/m3", 0.9982),
        (units.alkalinity_meq_per_l, "1.8 eq/L", 1800.0),
        (units.calcium_mmol_per_l, "400.78 mg/L", 10.0),
        (units.magnesium_mmol_per_l, "24.305 g/L", 1000.0),
    ],
)
def test_quantities_are_read_into_inside_units(read: object, text: str, value: float) -> None:
    assert read(text) == pytest.approx(value, rel=1e-12)  # type: ignore[operator]


def test_specific_gravity_is_read_as_25_over_25() -> None:
    assert units.salinity("1.0264 sg") == pytest.approx(35.03, abs=0.02)  # gsw 3.6.23, TEOS-10


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (12, "a unit is missing"),
        (True, "a unit is missing"),
        (None, "a unit is missing"),
        (1.5, "a unit is missing"),
        ("12", "a unit is missing"),
        ("", "Write one number and one unit"),
        ("mL", "Write one number and one unit"),
        ("1,2 mL", "1.2 mL"),
        ("1,200 mL", "comma"),
        ("1_0 mL", "underscore"),
        ("0x10 mL", "plain decimal"),
        ("0o12 mL", "plain decimal"),
        ("0b11 mL", "plain decimal"),
        ("010 mL", "Write 10 mL"),
        ("nan mL", "not a number"),
        (".nan", "not a number"),
        ("inf mL", "not a number"),
        ("-.inf mL", "not a number"),
        ("1:30", "time of day"),
        (".5 mL", "Write 0.5 mL"),
        ("5. mL", "no digit after the point"),
        ("1e30 mL", "out of all proportion"),
        ("1e-12 mL", "out of all proportion"),
        ("1234567890123 mL", "out of all proportion"),
        ("2*3 mL", "more than one quantity"),
        ("1 mL + 2 mL", "more than one quantity"),
        ("(3) mL", "Write one number and one unit"),
        ("3 (mL)", "more than one quantity"),
        ("1 000 mL", "more than one quantity"),
        ("3 mL 4", "more than one quantity"),
        ("1/2 L", "more than one quantity"),
        ("1-2 mL", "more than one quantity"),
        ("5 mL**2", "more than one quantity"),
        ("٣ mL", "Write one number and one unit"),  # digits, but not those a keeper would check
        ("−5 mL", "negative"),
        ("5−5 mL", "Write one number and one unit"),
        ("-1 mL", "negative"),
        ("12 ML", "a million litres"),
        ("12 mll", 'Did you mean "mL"?'),
        ("12 litrs", 'Did you mean "litres"?'),
        ("12 flurbs", "not a unit known here"),
        ("12 gal", "gal (US) or gal (UK)"),
        ("12 degC", "is a temperature; here belongs a volume"),
        ("12 mL/min", "is a flow; here belongs a volume"),
        ("12 dKH", "is an alkalinity; here belongs a volume"),
    ],
)
def test_what_is_no_volume_is_refused_in_one_sentence_with_the_cure(text: object, says: str) -> None:
    with pytest.raises(UnitRefused) as refused:
        units.volume_ul(text)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert str(refused.value).endswith((".", "?"))


@pytest.mark.parametrize(
    ("read", "text", "says"),
    [
        (units.alkalinity_meq_per_l, "150 ppm", "as CaCO3?"),
        (units.alkalinity_meq_per_l, "150 mg/L", "as CaCO3?"),
        (units.alkalinity_meq_per_l, "1 mol/L", "two equivalents"),
        (units.alkalinity_meq_per_l, "2500 umol/kg", "per kilogram"),
        (units.alkalinity_meq_per_l, "1,2 dKH", "1.2 dKH"),
        (units.alkalinity_meq_per_l, "1.2 dkG", "Did you mean"),
        (units.alkalinity_meq_per_l, "-1 dKH", "negative"),
        (units.calcium_mmol_per_l, "420 ppm", "write mg/L"),
        (units.calcium_mmol_per_l, "420 mg/L Mg", "is a magnesium content"),
        (units.fraction, "101 %", "above 100 %"),
        (units.fraction, "0.985", "98.5 %"),
        (units.temperature_c, "77 F", "write degF"),
        (units.temperature_c, "25 C", "write degC"),
        (units.temperature_c, "-300 degC", "absolute zero"),
        (units.duration_s, "5 m", "write min"),
        (units.salinity, "1.5 sg", "outside 1.000"),
        (units.salinity, "35", "35 g/kg"),
        (units.flow_ul_per_s, "0 mL/min", "above zero"),
        (units.density_kg_per_l, "0 kg/L", "above zero"),
    ],
)
def test_what_means_two_things_is_asked_back(read: object, text: str, says: str) -> None:
    with pytest.raises(UnitRefused) as refused:
        read(text)  # type: ignore[operator]
    assert says in str(refused.value)


def test_per_kilogram_is_read_where_the_density_is_known() -> None:
    # 2788.1 µmol/kg at 1.023343 kg/L is 8.00 dKH.
    found = units.alkalinity_meq_per_l("2788.14 umol/kg", density_kg_per_l=1.023343)
    assert units.dkh_from_meq_per_l(found) == pytest.approx(8.0, abs=1e-4)


def test_the_unit_decides_between_a_volume_and_a_change() -> None:
    assert quantity("68 mL", Kind.ALKALINITY, Kind.VOLUME) == units.Quantity(Kind.VOLUME, Fraction(68_000), "68 mL")
    assert quantity("1.2 dKH", Kind.ALKALINITY, Kind.VOLUME).kind is Kind.ALKALINITY
    with pytest.raises(UnitRefused, match="an alkalinity or a volume"):
        quantity("68 g", Kind.ALKALINITY, Kind.VOLUME)


@pytest.mark.parametrize("kind", Kind)
def test_every_example_in_a_message_is_itself_read(kind: Kind) -> None:
    for example in EXAMPLE[kind].replace(" or ", ", ").split(", "):
        assert quantity(example, kind).kind is kind


@pytest.mark.parametrize("kind", Kind)
def test_every_spelling_is_known_to_the_registry(kind: Kind) -> None:
    for spelling in SPELLINGS[kind]:
        number = "1.02" if spelling.casefold() == "sg" else "1"
        assert quantity(f"{number} {spelling}", kind, density_kg_per_l=1.0).value > 0 or kind is Kind.TEMPERATURE


@given(st.text(max_size=20))
def test_any_text_is_read_or_refused_and_never_breaks(text: str) -> None:
    try:
        found = quantity(text, *Kind)
    except UnitRefused:
        return
    assert found.value >= Fraction("-273.15")


@given(
    st.text(alphabet="0123456789.eE+-*/^() _,x:", min_size=1, max_size=12),
    st.sampled_from(["mL", "dKH", "g", "%", "", "mL/min"]),
)
def test_a_number_is_read_only_as_it_looks(number: str, unit: str) -> None:
    try:
        found = quantity(f"{number} {unit}", Kind.VOLUME, Kind.MASS, Kind.FRACTION, Kind.FLOW, Kind.ALKALINITY)
    except UnitRefused:
        return
    whole = number.strip()
    assert found.value >= 0
    assert float(whole) >= 0  # Python agrees that it is one plain number
    assert not set(whole) & set("*/^()_,x:")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("8 dKH", "umol/kg", 2788.14),
        ("2788.14 umol/kg", "dKH", 8.0),
        ("10 gal (US)", "L", 37.85411784),
        ("77 degF", "degC", 25.0),
        ("25 degC", "degF", 77.0),
        ("420 mg/L Ca", "mmol/L", 10.47956),
        ("420 mg/L", "g/L", 0.42),
        ("10 mmol/kg", "mmol/L", 10.23341),
        ("3 lb", "kg", 1.36077711),
        ("15 mL/min", "L/h", 0.9),
        ("90 min", "h", 1.5),
        ("0.5 eq/L", "meq/L", 500.0),
    ],
)
def test_convert(text: str, unit: str, value: float) -> None:
    assert convert(text, unit) == pytest.approx(value, rel=2e-6)


def test_convert_takes_the_density_of_the_water_it_is_told() -> None:
    # EOS-80: 1.020980 kg/L at S 33, 27.5 degC is smaller than at S 35, 25 degC: more per kilogram.
    assert convert("8 dKH", "umol/kg", 33, 27.5) > convert("8 dKH", "umol/kg", 35, 25)
    with pytest.raises(UnitRefused):
        convert("8 dKH", "umol/kg", 99, 25)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("8 dKH", "mL", "does not convert"),
        ("420 mg/L", "mmol/L", "of which element?"),
        ("125 ppm", "dKH", "as CaCO3?"),
        ("8 dKH", "ppm", "as CaCO3?"),
        ("8 dKH", "foo", "not a unit known here"),
        ("8 foo", "dKH", "not a unit known here"),
        ("8", "dKH", "a unit is missing"),
        ("1 gal", "L", "gal (US)"),
        ("-8 dKH", "meq/L", "negative"),
    ],
)
def test_convert_refuses_in_words_what_does_not_convert(text: str, unit: str, says: str) -> None:
    with pytest.raises(UnitRefused) as refused:
        convert(text, unit)
    assert says in str(refused.value)


@given(
    st.sampled_from([(kind, unit) for kind, table in SPELLINGS.items() for unit in table]),
    st.fractions(min_value=Fraction(1, 100), max_value=30, max_denominator=1000),
    st.data(),
)
def test_convert_comes_back(start: tuple[Kind, str], value: Fraction, data: st.DataObject) -> None:
    kind, unit = start
    if unit.casefold() == "sg":
        value = 1 + value / 1000
    if kind is Kind.TEMPERATURE:
        value += 300
    other = data.draw(st.sampled_from(sorted(SPELLINGS[kind])))
    text = f"{float(value):.9f} {unit}"
    try:
        there = convert(text, other)
        back = convert(f"{there:.12f} {other}", unit)
    except UnitRefused:
        return  # out of the range of specific gravity, or a share above 100 %
    if there < 1e-3:
        return  # too few of the twelve decimals are left
    assert back == pytest.approx(float(value), rel=1e-6)


def test_changes_are_shown_as_keepers_read_them() -> None:
    for substance, change, shown, unit in (
        (Substance.ALKALINITY, 0.35665246, 1.0, "dKH"),
        (Substance.CALCIUM, 1.0, 40.078, "mg/L"),
        (Substance.MAGNESIUM, 1.0, 24.305, "mg/L"),
    ):
        value, in_unit = units.shown_change(change, substance)
        assert value == pytest.approx(shown)
        assert in_unit == unit
    assert units.change_mmol_per_l("15 mg/L", Substance.CALCIUM) == pytest.approx(15 / 40.078)
    assert units.ml_from_ul(1500) == 1.5
    assert units.l_from_ul(1_500_000) == 1.5
    with pytest.raises(UnitRefused):
        units.change_mmol_per_l("15 mg/L", Substance.OTHER)
    with pytest.raises(UnitRefused):
        units.mg_per_l_from_mmol_per_l(1.0, Substance.OTHER)


def test_pint_is_loaded_only_when_a_quantity_is_read() -> None:
    # Verbs that read no quantity start without it, which counts on a small board.
    code = (
        "import sys, dosingd.units as units\n"
        "assert 'pint' not in sys.modules\n"
        "units.volume_ul('1 mL')\n"
        "assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-W", "ignore", "-c", code], check=True, cwd=Path(__file__).parent.parent)
