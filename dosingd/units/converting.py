"""A quantity in another unit, and what such a conversion goes by."""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction

from dosingd.chemistry import seawater
from dosingd.errors import ChemistryRefused, UnitRefused
from dosingd.units.reading import (
    converted,
    in_words,
    inside,
    number_and_unit,
    per_kg,
    plain_unit,
    refuse_senseless,
    refuse_unit,
    registry,
)
from dosingd.units.spellings import ASKED, INSIDE, QUANTITY, SG, SPELLINGS, Kind


class Rule(StrEnum):
    """What a conversion goes by beside the units themselves."""

    DENSITY = "the density of the water"
    SPECIFIC_GRAVITY = "specific gravity 25/25"
    PRACTICAL_SALINITY = "g/kg and ppt are read as practical salinity"
    CO2_PRESSURE = "ppm are read as µatm"


def rules(unit_text: str, to_unit_text: str) -> frozenset[Rule]:
    """What a conversion from one unit to the other goes by; none where the units say it all, nor for units that do not
    convert."""
    unit, to_unit = plain_unit(unit_text.strip()), plain_unit(to_unit_text.strip())
    found = set()
    for kind in Kind:
        table = SPELLINGS[kind]
        if unit not in table or to_unit not in table:
            continue
        one, other = table[unit], table[to_unit]
        if per_kg(one) != per_kg(other):
            found.add(Rule.DENSITY)
        if (one == SG) != (other == SG):
            found.add(Rule.SPECIFIC_GRAVITY)
        elif kind is Kind.SALINITY and unit != to_unit and one != SG:
            found.add(Rule.PRACTICAL_SALINITY)
        if kind is Kind.CO2 and unit != to_unit:
            found.add(Rule.CO2_PRESSURE)
    return frozenset(found)


def convert(quantity_text: object, unit_text: str, salinity: float = 35.0, temperature_c: float = 25.0) -> float:
    """The quantity in another unit. Contents per kilogram use the density of seawater at that salinity and temperature;
    specific gravity is 25/25, whatever the temperature.

    Raises UnitRefused for what does not convert, and where the answer depends on an element that was not named.
    """
    every = tuple(Kind)
    shown = str(quantity_text).strip()
    to_unit = plain_unit(unit_text.strip())
    to = [kind for kind in every if to_unit in SPELLINGS[kind]]
    if not to_unit:
        raise UnitRefused(f'"{shown}": the unit to convert it to is missing. Write it after it, such as "8 dKH" meq/L.')
    if QUANTITY.fullmatch(to_unit) and not QUANTITY.fullmatch(shown):
        raise UnitRefused(f'The quantity comes first and then the unit: dosingd convert "{to_unit}" "{shown}".')
    value, unit = number_and_unit(quantity_text, tuple(to) or every)
    of = [kind for kind in every if unit in SPELLINGS[kind]]
    if not of:
        raise refuse_unit(shown, unit, tuple(to) or every)
    if not to:
        raise refuse_unit(to_unit, to_unit, tuple(of))
    both = [kind for kind in of if kind in to]
    if not both:
        for kind in to:
            if (unit, kind) in ASKED:
                raise UnitRefused(f'"{shown}": {ASKED[unit, kind]}.')
        for kind in of:
            if (to_unit, kind) in ASKED:
                raise UnitRefused(f'"{unit_text}": {ASKED[to_unit, kind]}.')
        raise UnitRefused(
            f'"{shown}" is {in_words(tuple(of))} and does not convert to {unit_text}, which is {in_words(tuple(to))}.'
        )
    density = None
    if Rule.DENSITY in rules(unit, to_unit):
        try:
            density = seawater.density_kg_per_l(salinity, temperature_c)
        except ChemistryRefused as refused:
            raise UnitRefused(str(refused)) from refused
    answers = {_answer(value, SPELLINGS[kind][unit], SPELLINGS[kind][to_unit], kind, density, shown) for kind in both}
    if len(answers) > 1:
        raise UnitRefused(f'"{shown}": of which element? Write mg/L Ca or mg/L Mg, and so on.')
    return answers.pop()


def unit_of(quantity_text: str) -> str:
    """The unit of a quantity, as it is written; nothing where there is none."""
    return number_and_unit(quantity_text, tuple(Kind))[1]


def _answer(value: Fraction, unit: str, to_unit: str, kind: Kind, density: float | None, text: str) -> float:
    both_per_kg = per_kg(unit) and per_kg(to_unit)
    amount = value if both_per_kg else inside(value, unit, kind, density, text)
    refuse_senseless(amount, kind, text)
    if unit == to_unit:
        return float(value)
    if to_unit == SG:
        return seawater.specific_gravity_25(float(amount))
    if both_per_kg:
        return float(converted(value, unit, to_unit))
    if per_kg(to_unit):
        assert density is not None  # a rule of DENSITY
        of = registry()
        of_a_kg = of.Quantity(amount, INSIDE[kind]) / of.Quantity(Fraction(density), "kilogram / litre")
        return float(of_a_kg.to(to_unit).magnitude)
    return float(converted(amount, INSIDE[kind], to_unit))
