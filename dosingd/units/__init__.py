"""Quantities: text with a unit in, plain numbers in inside units out. The only room that knows pint.

A quantity is one number and one unit, `4.5 mL`. pint would evaluate `2*3 mL` and guess prefixes (`Mg` for `mg`), so the
text is matched here first, against the units a keeper writes; pint then holds the definitions and does the conversion,
in exact fractions, so that 0.3 mL is 300 µL and not 299.

Refusals are one sentence for the keeper, with the cure.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any

from dosingd.chemistry import seawater
from dosingd.chemistry.salts import M_CA, M_MG
from dosingd.chemistry.seawater import dkh_from_meq_per_l, meq_per_l_from_dkh, mg_caco3_per_l_from_meq_per_l
from dosingd.errors import ChemistryRefused, UnitRefused
from dosingd.records import Substance
from dosingd.units.spellings import (
    ASKED,
    DEFINITIONS,
    EXAMPLE,
    INSIDE,
    NUMBER_FAULTS,
    QUANTITY,
    SG,
    SPELLINGS,
    Kind,
    Quantity,
)

if TYPE_CHECKING:
    from pint import UnitRegistry


__all__ = [
    "Kind",
    "Quantity",
    "Rule",
    "alkalinity_meq_per_l",
    "calcium_mmol_per_l",
    "change_mmol_per_l",
    "co2_uatm",
    "convert",
    "density_kg_per_l",
    "dkh_from_meq_per_l",
    "duration_s",
    "flow_ul_per_s",
    "fraction",
    "kind_of",
    "l_from_ul",
    "magnesium_mmol_per_l",
    "mass_g",
    "meq_per_l_from_dkh",
    "mg_caco3_per_l_from_meq_per_l",
    "mg_per_l_from_mmol_per_l",
    "ml_from_ul",
    "quantity",
    "rules",
    "salinity",
    "shown_change",
    "temperature_c",
    "unit_of",
    "volume_l",
    "volume_ul",
]


#: So many kinds can be named in a message; where any may stand, it would be a page.
MANY = 3


@cache
def _registry() -> UnitRegistry[Any]:
    # Imported on first use: verbs that read no quantity then start a third faster.
    import pint

    registry: UnitRegistry[Any] = pint.UnitRegistry(
        None, non_int_type=Fraction, cache_folder=None, on_redefinition="raise"
    )
    registry.load_definitions(DEFINITIONS.splitlines())
    return registry


def _converted(value: Fraction, unit: str, to_unit: str) -> Fraction:
    return Fraction(_registry().Quantity(value, unit).to(to_unit).magnitude)


def _in_words(kinds: tuple[Kind, ...]) -> str:
    return " or ".join(kinds) if len(kinds) <= MANY else "one number and one unit"


def _example(kinds: tuple[Kind, ...]) -> str:
    if len(kinds) > MANY:  # where anything may stand, three say it
        kinds = (Kind.ALKALINITY, Kind.TEMPERATURE, Kind.MASS)
    return ", or ".join(dict.fromkeys(EXAMPLE[kind] for kind in kinds))


def _plain_unit(text: str) -> str:
    """The unit with µ as u and single spaces, none around the slash."""
    spaced = " ".join(text.replace("µ", "u").replace("μ", "u").split())
    return re.sub(r"\s*/\s*", "/", spaced)


def _number_and_unit(text: object, kinds: tuple[Kind, ...]) -> tuple[Fraction, str]:
    if not isinstance(text, str):
        shown = "nothing" if text is None else f"{text}"
        raise UnitRefused(f"{shown}: a unit is missing. Write {_in_words(kinds)} such as {_example(kinds)}.")
    # A minus of the typesetter's can only be a minus.
    stripped = re.sub(r"^[\u2212\u2013](?=[0-9.])", "-", text.strip())
    for pattern, message in NUMBER_FAULTS:
        if pattern.match(stripped):
            cure = message.format(
                point=stripped.replace(",", ".", 1),
                unzeroed=re.sub(r"^([+-]?)0+(?=\d)", r"\1", stripped),
                led=stripped.replace(".", "0.", 1),
                example=_example(kinds),
            )
            raise UnitRefused(f'"{stripped}" {cure}.')
    found = QUANTITY.fullmatch(stripped)
    if found is None:
        if not stripped:
            raise UnitRefused(f"Nothing is said. Write one number and one unit, such as {_example(kinds)}.")
        raise UnitRefused(f'"{stripped}" is not a quantity. Write one number and one unit, such as {_example(kinds)}.')
    number, unit = found.groups()
    if not unit:
        raise UnitRefused(f'"{stripped}": a unit is missing. Write {_in_words(kinds)} such as {_example(kinds)}.')
    plain = _plain_unit(unit)
    known = any(plain in table for table in SPELLINGS.values()) or any(plain == asked for asked, _ in ASKED)
    if not known and re.search(r"[0-9*+^=,;:|&$(\[{-]", plain.replace("(US)", "").replace("CaCO3", "")):
        raise UnitRefused(
            f'"{stripped}" is more than one quantity. Write one number and one unit, such as {_example(kinds)}.'
        )
    return Fraction(number), plain


def _refuse_unit(text: str, unit: str, kinds: tuple[Kind, ...]) -> UnitRefused:
    for kind in kinds:
        if (unit, kind) in ASKED:
            return UnitRefused(f'"{text}": {ASKED[unit, kind]}.')
    meant = [kind for kind, table in SPELLINGS.items() if unit in table]
    if meant:
        return UnitRefused(f'"{text}" is {meant[0]}; here belongs {_in_words(kinds)}, such as {_example(kinds)}.')
    spellings = [spelling for kind in kinds for spelling in SPELLINGS[kind]]
    folded = {spelling.casefold(): spelling for spelling in reversed(spellings)}
    close = difflib.get_close_matches(unit.casefold(), folded, n=1, cutoff=0.6)
    said = f'"{unit}"' if text == unit else f'"{text}": "{unit}"'
    if close:
        return UnitRefused(f'{said} is not a unit known here. Did you mean "{folded[close[0]]}"?')
    return UnitRefused(f"{said} is not a unit known here. Write {_in_words(kinds)} such as {_example(kinds)}.")


def _per_kg(unit: str) -> bool:
    return unit.endswith("/ kilogram")


def _inside(value: Fraction, unit: str, kind: Kind, density: float | None, text: str) -> Fraction:
    """The value in the kind's inside unit; contents per kilogram go through the density of the water."""
    if unit == SG:
        try:
            return Fraction(seawater.salinity_from_specific_gravity_25(float(value)))
        except ChemistryRefused as refused:
            raise UnitRefused(str(refused)) from refused
    if not _per_kg(unit):
        return _converted(value, unit, INSIDE[kind])
    if density is None:
        raise UnitRefused(
            f'"{text}" is per kilogram, and the density of the water is not known here. '
            f"Write it per litre, such as {EXAMPLE[kind]}."
        )
    registry = _registry()
    per_litre = registry.Quantity(value, unit) * registry.Quantity(Fraction(density), "kilogram / litre")
    return Fraction(per_litre.to(INSIDE[kind]).magnitude)


def _refuse_senseless(value: Fraction, kind: Kind, text: str) -> None:
    if kind is Kind.TEMPERATURE:
        if value < Fraction("-273.15"):
            raise UnitRefused(f'"{text}" is below absolute zero.')
    elif value < 0:
        raise UnitRefused(f'"{text}" is negative; {kind} cannot be below zero here.')
    if kind is Kind.FRACTION and value > 1:
        raise UnitRefused(f'"{text}" is above 100 %.')


def quantity(text: object, *kinds: Kind, density_kg_per_l: float | None = None) -> Quantity:
    """The quantity that a text states, of one of the kinds asked for (the first that knows the unit).

    Raises UnitRefused, in one sentence, for a missing or unknown unit, another kind of quantity, a number not in plain
    decimals, more than one quantity, a negative value (but of a temperature), and a share above 100 %. Contents per
    kilogram need `density_kg_per_l`.
    """
    value, unit = _number_and_unit(text, kinds)
    shown = str(text).strip()
    for kind in kinds:
        if unit in SPELLINGS[kind]:
            inside = _inside(value, SPELLINGS[kind][unit], kind, density_kg_per_l, shown)
            _refuse_senseless(inside, kind, shown)
            return Quantity(kind, inside, shown)
    raise _refuse_unit(shown, unit, kinds)


def volume_ul(text: object) -> int:
    """Volume in whole µL, rounded down, never to nearest: a limit or a dose never grows by rounding."""
    return int(quantity(text, Kind.VOLUME).value // 1)


def volume_l(text: object) -> float:
    """Volume in L, for tanks and made-up stocks."""
    return float(quantity(text, Kind.VOLUME).value / 1_000_000)


def flow_ul_per_s(text: object) -> float:
    """Flow in µL/s, above zero."""
    value = quantity(text, Kind.FLOW).value
    if value == 0:
        raise UnitRefused(f'"{text}" is no flow; it must be above zero, such as {EXAMPLE[Kind.FLOW]}.')
    return float(value)


def duration_s(text: object) -> float:
    """Time in s; a day is 24 h."""
    return float(quantity(text, Kind.DURATION).value)


def mass_g(text: object) -> float:
    """Mass in g."""
    return float(quantity(text, Kind.MASS).value)


def fraction(text: object) -> float:
    """Share as 0 to 1, from percent."""
    return float(quantity(text, Kind.FRACTION).value)


def temperature_c(text: object) -> float:
    """Temperature in degC."""
    return float(quantity(text, Kind.TEMPERATURE).value)


def salinity(text: object) -> float:
    """Practical salinity; g/kg and ppt are read as it, sg is the specific gravity 25/25."""
    return float(quantity(text, Kind.SALINITY).value)


def co2_uatm(text: object) -> float:
    """CO2 of the room's air in µatm; ppm are read as µatm."""
    return float(quantity(text, Kind.CO2).value)


def density_kg_per_l(text: object) -> float:
    """Density in kg/L, above zero."""
    value = quantity(text, Kind.DENSITY).value
    if value == 0:
        raise UnitRefused(f'"{text}" is no density; it must be above zero, such as {EXAMPLE[Kind.DENSITY]}.')
    return float(value)


def alkalinity_meq_per_l(text: object, density_kg_per_l: float | None = None) -> float:
    """Alkalinity, or a change of it, in meq/L."""
    return float(quantity(text, Kind.ALKALINITY, density_kg_per_l=density_kg_per_l).value)


def calcium_mmol_per_l(text: object, density_kg_per_l: float | None = None) -> float:
    """Calcium, or a change of it, in mmol/L."""
    return float(quantity(text, Kind.CALCIUM, density_kg_per_l=density_kg_per_l).value)


def magnesium_mmol_per_l(text: object, density_kg_per_l: float | None = None) -> float:
    """Magnesium, or a change of it, in mmol/L."""
    return float(quantity(text, Kind.MAGNESIUM, density_kg_per_l=density_kg_per_l).value)


_KIND_OF: Mapping[Substance, Kind] = {
    Substance.ALKALINITY: Kind.ALKALINITY,
    Substance.CALCIUM: Kind.CALCIUM,
    Substance.MAGNESIUM: Kind.MAGNESIUM,
}


def kind_of(substance: Substance) -> Kind:
    """The kind of quantity that a change by this substance is. Raises UnitRefused for `other`."""
    if substance not in _KIND_OF:
        raise UnitRefused("A stock that gives something else changes nothing that is measured here; write a volume.")
    return _KIND_OF[substance]


def change_mmol_per_l(text: object, substance: Substance) -> float:
    """A change of the tank in mmol/L (meq/L for alkalinity). Raises UnitRefused for `other`."""
    return float(quantity(text, kind_of(substance)).value)


def convert(quantity_text: object, unit_text: str, salinity: float = 35.0, temperature_c: float = 25.0) -> float:
    """The quantity in another unit. Contents per kilogram use the density of seawater at that salinity and temperature;
    specific gravity is 25/25, whatever the temperature.

    Raises UnitRefused for what does not convert, and where the answer depends on an element that was not named.
    """
    every = tuple(Kind)
    shown = str(quantity_text).strip()
    to_unit = _plain_unit(unit_text.strip())
    to = [kind for kind in every if to_unit in SPELLINGS[kind]]
    if not to_unit:
        raise UnitRefused(f'"{shown}": the unit to convert it to is missing. Write it after it, such as "8 dKH" meq/L.')
    if QUANTITY.fullmatch(to_unit) and not QUANTITY.fullmatch(shown):
        raise UnitRefused(f'The quantity comes first and then the unit: dosingd convert "{to_unit}" "{shown}".')
    value, unit = _number_and_unit(quantity_text, tuple(to) or every)
    of = [kind for kind in every if unit in SPELLINGS[kind]]
    if not of:
        raise _refuse_unit(shown, unit, tuple(to) or every)
    if not to:
        raise _refuse_unit(to_unit, to_unit, tuple(of))
    both = [kind for kind in of if kind in to]
    if not both:
        for kind in to:
            if (unit, kind) in ASKED:
                raise UnitRefused(f'"{shown}": {ASKED[unit, kind]}.')
        for kind in of:
            if (to_unit, kind) in ASKED:
                raise UnitRefused(f'"{unit_text}": {ASKED[to_unit, kind]}.')
        raise UnitRefused(
            f'"{shown}" is {_in_words(tuple(of))} and does not convert to {unit_text}, which is {_in_words(tuple(to))}.'
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


class Rule(StrEnum):
    """What a conversion goes by beside the units themselves."""

    DENSITY = "the density of the water"
    SPECIFIC_GRAVITY = "specific gravity 25/25"
    PRACTICAL_SALINITY = "g/kg and ppt are read as practical salinity"
    CO2_PRESSURE = "ppm are read as µatm"


def rules(unit_text: str, to_unit_text: str) -> frozenset[Rule]:
    """What a conversion from one unit to the other goes by; none where the units say it all, nor for units that do not
    convert."""
    unit, to_unit = _plain_unit(unit_text.strip()), _plain_unit(to_unit_text.strip())
    found = set()
    for kind in Kind:
        table = SPELLINGS[kind]
        if unit not in table or to_unit not in table:
            continue
        one, other = table[unit], table[to_unit]
        if _per_kg(one) != _per_kg(other):
            found.add(Rule.DENSITY)
        if (one == SG) != (other == SG):
            found.add(Rule.SPECIFIC_GRAVITY)
        elif kind is Kind.SALINITY and unit != to_unit and one != SG:
            found.add(Rule.PRACTICAL_SALINITY)
        if kind is Kind.CO2 and unit != to_unit:
            found.add(Rule.CO2_PRESSURE)
    return frozenset(found)


def unit_of(quantity_text: str) -> str:
    """The unit of a quantity, as it is written; nothing where there is none."""
    return _number_and_unit(quantity_text, tuple(Kind))[1]


def _answer(value: Fraction, unit: str, to_unit: str, kind: Kind, density: float | None, text: str) -> float:
    per_kg_both = _per_kg(unit) and _per_kg(to_unit)
    inside = value if per_kg_both else _inside(value, unit, kind, density, text)
    _refuse_senseless(inside, kind, text)
    if unit == to_unit:
        return float(value)
    if to_unit == SG:
        return seawater.specific_gravity_25(float(inside))
    if per_kg_both:
        return float(_converted(value, unit, to_unit))
    if _per_kg(to_unit):
        assert density is not None  # a rule of DENSITY
        registry = _registry()
        per_kg = registry.Quantity(inside, INSIDE[kind]) / registry.Quantity(Fraction(density), "kilogram / litre")
        return float(per_kg.to(to_unit).magnitude)
    return float(_converted(inside, INSIDE[kind], to_unit))


def ml_from_ul(volume_ul: float) -> float:
    """mL from µL."""
    return volume_ul / 1000


def l_from_ul(volume_ul: float) -> float:
    """L from µL."""
    return volume_ul / 1_000_000


def mg_per_l_from_mmol_per_l(content_mmol_per_l: float, substance: Substance) -> float:
    """Calcium or magnesium in mg/L from mmol/L. Raises UnitRefused for any other substance."""
    match substance:
        case Substance.CALCIUM:
            return content_mmol_per_l * M_CA
        case Substance.MAGNESIUM:
            return content_mmol_per_l * M_MG
        case _:
            raise UnitRefused(f"{substance} is not shown in mg/L here.")


def shown_change(change_mmol_per_l: float, substance: Substance) -> tuple[float, str]:
    """A change of the tank as keepers read it: (value, "dKH"), or (value, "mg/L") for calcium and magnesium."""
    if substance is Substance.ALKALINITY:
        return dkh_from_meq_per_l(change_mmol_per_l), "dKH"
    return mg_per_l_from_mmol_per_l(change_mmol_per_l, substance), "mg/L"
