"""One number and one unit out of a text, in exact fractions; what is refused, in one sentence with the cure."""

from __future__ import annotations

import difflib
import re
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any

from dosingd.chemistry import seawater
from dosingd.errors import ChemistryRefused, UnitRefused
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
)

if TYPE_CHECKING:
    from pint import UnitRegistry

#: So many kinds can be named in a message; where any may stand, it would be a page.
MANY = 3


@cache
def registry() -> UnitRegistry[Any]:
    # Imported on first use: verbs that read no quantity then start a third faster.
    import pint

    made: UnitRegistry[Any] = pint.UnitRegistry(None, non_int_type=Fraction, cache_folder=None, on_redefinition="raise")
    made.load_definitions(DEFINITIONS.splitlines())
    return made


def converted(value: Fraction, unit: str, to_unit: str) -> Fraction:
    return Fraction(registry().Quantity(value, unit).to(to_unit).magnitude)


def in_words(kinds: tuple[Kind, ...]) -> str:
    return " or ".join(kinds) if len(kinds) <= MANY else "one number and one unit"


def _example(kinds: tuple[Kind, ...]) -> str:
    if len(kinds) > MANY:  # where anything may stand, three say it
        kinds = (Kind.ALKALINITY, Kind.TEMPERATURE, Kind.MASS)
    return ", or ".join(dict.fromkeys(EXAMPLE[kind] for kind in kinds))


def plain_unit(text: str) -> str:
    """The unit with µ as u and single spaces, none around the slash."""
    spaced = " ".join(text.replace("µ", "u").replace("μ", "u").split())
    return re.sub(r"\s*/\s*", "/", spaced)


def number_and_unit(text: object, kinds: tuple[Kind, ...]) -> tuple[Fraction, str]:
    if not isinstance(text, str):
        shown = "nothing" if text is None else f"{text}"
        raise UnitRefused(f"{shown}: a unit is missing. Write {in_words(kinds)} such as {_example(kinds)}.")
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
        raise UnitRefused(f'"{stripped}": a unit is missing. Write {in_words(kinds)} such as {_example(kinds)}.')
    plain = plain_unit(unit)
    known = any(plain in table for table in SPELLINGS.values()) or any(plain == asked for asked, _ in ASKED)
    if not known and re.search(r"[0-9*+^=,;:|&$(\[{-]", plain.replace("(US)", "").replace("CaCO3", "")):
        raise UnitRefused(
            f'"{stripped}" is more than one quantity. Write one number and one unit, such as {_example(kinds)}.'
        )
    return Fraction(number), plain


def refuse_unit(text: str, unit: str, kinds: tuple[Kind, ...]) -> UnitRefused:
    for kind in kinds:
        if (unit, kind) in ASKED:
            return UnitRefused(f'"{text}": {ASKED[unit, kind]}.')
    meant = [kind for kind, table in SPELLINGS.items() if unit in table]
    if meant:
        return UnitRefused(f'"{text}" is {meant[0]}; here belongs {in_words(kinds)}, such as {_example(kinds)}.')
    spellings = [spelling for kind in kinds for spelling in SPELLINGS[kind]]
    folded = {spelling.casefold(): spelling for spelling in reversed(spellings)}
    close = difflib.get_close_matches(unit.casefold(), folded, n=1, cutoff=0.6)
    said = f'"{unit}"' if text == unit else f'"{text}": "{unit}"'
    if close:
        return UnitRefused(f'{said} is not a unit known here. Did you mean "{folded[close[0]]}"?')
    return UnitRefused(f"{said} is not a unit known here. Write {in_words(kinds)} such as {_example(kinds)}.")


def per_kg(unit: str) -> bool:
    return unit.endswith("/ kilogram")


def inside(value: Fraction, unit: str, kind: Kind, density: float | None, text: str) -> Fraction:
    """The value in the kind's inside unit; contents per kilogram go through the density of the water."""
    if unit == SG:
        try:
            return Fraction(seawater.salinity_from_specific_gravity_25(float(value)))
        except ChemistryRefused as refused:
            raise UnitRefused(str(refused)) from refused
    if not per_kg(unit):
        return converted(value, unit, INSIDE[kind])
    if density is None:
        raise UnitRefused(
            f'"{text}" is per kilogram, and the density of the water is not known here. '
            f"Write it per litre, such as {EXAMPLE[kind]}."
        )
    of = registry()
    per_litre = of.Quantity(value, unit) * of.Quantity(Fraction(density), "kilogram / litre")
    return Fraction(per_litre.to(INSIDE[kind]).magnitude)


def refuse_senseless(value: Fraction, kind: Kind, text: str) -> None:
    if kind is Kind.TEMPERATURE:
        if value < Fraction("-273.15"):
            raise UnitRefused(f'"{text}" is below absolute zero.')
    elif value < 0:
        raise UnitRefused(f'"{text}" is negative; {kind} cannot be below zero here.')
    if kind is Kind.FRACTION and value > 1:
        raise UnitRefused(f'"{text}" is above 100 %.')
