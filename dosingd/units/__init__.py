"""Quantities: text with a unit in, plain numbers in inside units out. The only room that knows pint.

A quantity is one number and one unit, `4.5 mL`. pint would evaluate `2*3 mL` and guess prefixes (`Mg` for `mg`), so the
text is matched here first, against the units a keeper writes; pint then holds the definitions and does the conversion,
in exact fractions, so that 0.3 mL is 300 µL and not 299.

Refusals are one sentence for the keeper, with the cure.
"""

from __future__ import annotations

from collections.abc import Mapping

from dosingd.chemistry.salts import M_CA, M_MG
from dosingd.chemistry.seawater import dkh_from_meq_per_l, meq_per_l_from_dkh, mg_caco3_per_l_from_meq_per_l
from dosingd.errors import UnitRefused
from dosingd.records import Substance
from dosingd.units.converting import Rule, convert, rules, unit_of
from dosingd.units.reading import inside, number_and_unit, refuse_senseless, refuse_unit
from dosingd.units.spellings import EXAMPLE, SPELLINGS, Kind, Quantity

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


def quantity(text: object, *kinds: Kind, density_kg_per_l: float | None = None) -> Quantity:
    """The quantity that a text states, of one of the kinds asked for (the first that knows the unit).

    Raises UnitRefused, in one sentence, for a missing or unknown unit, another kind of quantity, a number not in plain
    decimals, more than one quantity, a negative value (but of a temperature), and a share above 100 %. Contents per
    kilogram need `density_kg_per_l`.
    """
    value, unit = number_and_unit(text, kinds)
    shown = str(text).strip()
    for kind in kinds:
        if unit in SPELLINGS[kind]:
            found = inside(value, SPELLINGS[kind][unit], kind, density_kg_per_l, shown)
            refuse_senseless(found, kind, shown)
            return Quantity(kind, found, shown)
    raise refuse_unit(shown, unit, kinds)


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
