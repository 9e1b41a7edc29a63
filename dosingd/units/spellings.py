"""What a keeper may write: the kinds of quantity, their units and spellings, and what is asked back.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction

from attrs import frozen

from dosingd.chemistry.salts import M_CA, M_CACO3, M_CAO, M_HCO3, M_MG


class Kind(StrEnum):
    """What a quantity is of; the value names it in a message."""

    VOLUME = "a volume"
    FLOW = "a flow"
    DURATION = "a time"
    MASS = "a mass"
    FRACTION = "a share"
    TEMPERATURE = "a temperature"
    SALINITY = "a salinity"
    CO2 = "a CO2 content of the air"
    DENSITY = "a density"
    ALKALINITY = "an alkalinity"
    CALCIUM = "a calcium content"
    MAGNESIUM = "a magnesium content"
    CARBON = "a content of inorganic carbon"


@frozen
class Quantity:
    """One quantity: its kind, its exact value in the kind's inside unit, and the text it came from.

    Inside units: volume µL, flow µL/s, time s, mass g, share 0 to 1, temperature degC, salinity practical, CO2 µatm,
    density kg/L, alkalinity meq/L, calcium, magnesium and inorganic carbon mmol/L.
    """

    kind: Kind
    value: Fraction
    text: str


#: Definitions for pint. The equivalent of alkalinity and the CO2 pressure are dimensions of their own: nothing else
#: converts into them by accident. Trimmed to what keepers write: pint's own file takes twice as long to load.
DEFINITIONS = f"""
micro- = 1e-6 = u
milli- = 1e-3 = m
centi- = 1e-2 = c
kilo- = 1e3 = k
litre = [volume] = L
cubic_metre = 1000 * litre = m3
US_gallon = 3.785411784 * litre
imperial_gallon = 4.54609 * litre
gram = [mass] = g
ounce = 28.349523125 * gram = oz
pound = 453.59237 * gram = lb
second = [time] = s
minute = 60 * second = min
hour = 3600 * second = h
day = 86400 * second
week = 604800 * second
kelvin = [temperature]; offset: 0 = K
degree_Celsius = kelvin; offset: 273.15 = degC
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF
share = [share]
percent = 0.01 * share
practical_salinity = [salinity]
microatmosphere = [co2]
mole = [substance] = mol
equivalent = [equivalents] = eq
dKH = 20 / {M_CAO} * 0.001 * equivalent / litre
gram_as_CaCO3 = 2 / {M_CACO3} * equivalent
gram_as_HCO3 = 1 / {M_HCO3} * equivalent
gram_of_Ca = 1 / {M_CA} * mole
gram_of_Mg = 1 / {M_MG} * mole
"""

INSIDE: Mapping[Kind, str] = {
    Kind.VOLUME: "microlitre",
    Kind.FLOW: "microlitre / second",
    Kind.DURATION: "second",
    Kind.MASS: "gram",
    Kind.FRACTION: "share",
    Kind.TEMPERATURE: "degC",
    Kind.SALINITY: "practical_salinity",
    Kind.CO2: "microatmosphere",
    Kind.DENSITY: "kilogram / litre",
    Kind.ALKALINITY: "milliequivalent / litre",
    Kind.CALCIUM: "millimole / litre",
    Kind.MAGNESIUM: "millimole / litre",
    Kind.CARBON: "millimole / litre",
}

#: Specific gravity 25/25 is no multiple of salinity: it goes through the density of seawater.
SG = "specific gravity 25/25"


def _spelt(pairs: str) -> dict[str, str]:
    """`unit: spelling spelling; unit: ...` -> {spelling: unit}. An underscore in a spelling stands for a space."""
    table = {}
    for pair in pairs.split(";"):
        unit, spellings = pair.split(":")
        table.update({spelling.replace("_", " "): unit.strip() for spelling in spellings.split()})
    return table


def _contents(element: str) -> dict[str, str]:
    """Spellings of a content of calcium or magnesium, with and without the element's symbol behind."""
    grams = f"gram_of_{element}"
    bare = {
        "mg/L": f"milli{grams} / litre",
        "g/L": f"{grams} / litre",
        "mmol/L": "millimole / litre",
        "mol/L": "mole / litre",
        "mg/kg": f"milli{grams} / kilogram",
        "mmol/kg": "millimole / kilogram",
        "umol/kg": "micromole / kilogram",
    }
    table = {}
    for spelling, unit in bare.items():
        for variant in {spelling, spelling.replace("/L", "/l")}:
            table.update({variant: unit, f"{variant} {element}": unit})
    return table


#: What a keeper may write, by kind. Micro is spelt u here; µ and μ are read as u.
SPELLINGS: Mapping[Kind, Mapping[str, str]] = {
    Kind.VOLUME: _spelt(
        "millilitre: mL ml; litre: L l litre litres liter liters; microlitre: uL ul; centilitre: cL cl;"
        "cubic_metre: m3; US_gallon: gal_(US) US_gal; imperial_gallon: gal_(UK) gal_(imperial)"
    ),
    Kind.FLOW: _spelt(
        "millilitre / minute: mL/min ml/min; millilitre / hour: mL/h ml/h; litre / hour: L/h l/h;"
        "litre / minute: L/min l/min; millilitre / second: mL/s ml/s; microlitre / second: uL/s ul/s;"
        "litre / day: L/day l/day; millilitre / day: mL/day ml/day"
    ),
    Kind.DURATION: _spelt(
        "second: s sec second seconds; minute: min minute minutes; hour: h hr hour hours; day: d day days;"
        "week: week weeks; millisecond: ms"
    ),
    Kind.MASS: _spelt("gram: g gram grams; milligram: mg; kilogram: kg; ounce: oz; pound: lb lbs"),
    Kind.FRACTION: _spelt("percent: % percent"),
    Kind.TEMPERATURE: _spelt("degC: degC °C ℃; degF: degF °F ℉; kelvin: K"),
    Kind.SALINITY: _spelt("practical_salinity: g/kg ppt ‰ PSU psu") | {"sg": SG, "SG": SG},
    Kind.CO2: _spelt("microatmosphere: ppm uatm ppm_CO2"),
    Kind.DENSITY: _spelt(
        "kilogram / litre: kg/L kg/l; gram / millilitre: g/mL g/ml g/cm3;"
        "kilogram / cubic_metre: kg/m3; gram / litre: g/L g/l"
    ),
    Kind.ALKALINITY: _spelt(
        "dKH: dKH dkh °dKH °dH; milliequivalent / litre: meq/L meq/l mEq/L mval/L; equivalent / litre: eq/L eq/l;"
        "microequivalent / litre: ueq/L ueq/l; milligram_as_CaCO3 / litre:"
        "mg/L_CaCO3 mg/l_CaCO3 mg/L_as_CaCO3 mg/l_as_CaCO3 ppm_CaCO3 ppm_as_CaCO3;"
        "milligram_as_HCO3 / litre: mg/L_HCO3 mg/L_as_HCO3; microequivalent / kilogram: umol/kg ueq/kg;"
        "milliequivalent / kilogram: mmol/kg meq/kg; equivalent / kilogram: eq/kg"
    ),
    Kind.CALCIUM: _contents("Ca"),
    Kind.MAGNESIUM: _contents("Mg"),
    Kind.CARBON: _spelt(
        "micromole / kilogram: umol/kg; millimole / kilogram: mmol/kg; millimole / litre: mmol/L mmol/l;"
        "micromole / litre: umol/L umol/l"
    ),
}

EXAMPLE: Mapping[Kind, str] = {
    Kind.VOLUME: "4.5 mL, 280 L or 75 gal (US)",
    Kind.FLOW: "15 mL/min",
    Kind.DURATION: "30 s, 15 min or 7 days",
    Kind.MASS: "190 g",
    Kind.FRACTION: "98.5 %",
    Kind.TEMPERATURE: "25.5 degC",
    Kind.SALINITY: "35 g/kg or 1.0264 sg",
    Kind.CO2: "700 ppm",
    Kind.DENSITY: "1.08 kg/L",
    Kind.ALKALINITY: "1.2 dKH",
    Kind.CALCIUM: "15 mg/L",
    Kind.MAGNESIUM: "15 mg/L",
    Kind.CARBON: "2.1 mmol/L",
}

#: Units that mean two things, or another thing than was meant: asked back, never guessed.
ASKED: Mapping[tuple[str, Kind], str] = {
    ("ppm", Kind.ALKALINITY): "ppm as CaCO3? Then write mg/L CaCO3",
    ("mg/L", Kind.ALKALINITY): "as CaCO3? Then write mg/L CaCO3",
    ("mol/L", Kind.ALKALINITY): "a mole of carbonate is two equivalents: write eq/L",
    ("mmol/L", Kind.ALKALINITY): "a mole of carbonate is two equivalents: write meq/L",
    ("umol/L", Kind.ALKALINITY): "write ueq/L, or umol/kg where the density is known",
    ("g/L", Kind.ALKALINITY): "grams of which salt? Write the strength in eq/L, or list the salts",
    ("°fH", Kind.ALKALINITY): "a French degree is 10 mg/L CaCO3, no dKH: write mg/L CaCO3",
    ("fH", Kind.ALKALINITY): "a French degree is 10 mg/L CaCO3, no dKH: write mg/L CaCO3",
    ("°e", Kind.ALKALINITY): "an English degree is 14.25 mg/L CaCO3, no dKH: write mg/L CaCO3",
    ("°Clark", Kind.ALKALINITY): "an English degree is 14.25 mg/L CaCO3, no dKH: write mg/L CaCO3",
    ("ppm", Kind.CALCIUM): "test kits mean mg/L by it: write mg/L",
    ("ppm", Kind.MAGNESIUM): "test kits mean mg/L by it: write mg/L",
    ("gal", Kind.VOLUME): "US or imperial? Write gal (US) or gal (UK)",
    ("m", Kind.DURATION): "write min for minutes",
    ("ML", Kind.VOLUME): "that is a million litres: write mL",
    ("C", Kind.TEMPERATURE): "write degC",
    ("F", Kind.TEMPERATURE): "write degF",
    ("kg/L", Kind.SALINITY): "write g/kg, or sg for specific gravity",
    ("mM", Kind.CALCIUM): "write mmol/L",
    ("mM", Kind.MAGNESIUM): "write mmol/L",
}

QUANTITY = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9])?)\s*(.*)", re.ASCII)

#: What is wrong with the number, first match wins; each with the cure.
NUMBER_FAULTS: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern, re.ASCII | re.IGNORECASE), message)
    for pattern, message in (
        (r"[+-]?\d+,\d", "has a comma in its number. Write the decimal with a point: {point}"),
        (r"[+-]?\d*_", "has an underscore in its number. Write the digits alone"),
        (r"[+-]?0[xob]\w", "is not written in plain decimal digits"),
        (r"[+-]?0\d", "starts with a needless zero. Write {unzeroed}"),
        (r"[+-]?\d+:\d", "looks like a time of day. Write one number and a unit, such as {example}"),
        (r"[+-]?\.?(nan|inf)", "is not a number. Write one number and a unit, such as {example}"),
        (r"[+-]?\.\d", "has no digit before the point. Write {led}"),
        (r"[+-]?\d+\.(?!\d)", "has no digit after the point. Write one number and a unit, such as {example}"),
        (
            r"[+-]?\d{13}|[+-]?\d+(\.\d+)?e[+-]?\d\d",
            "is out of all proportion. Write one number and a unit, such as {example}",
        ),
    )
)
