"""`dosingd convert`: a quantity in another unit."""

from __future__ import annotations

from collections.abc import Collection

import click

from dosingd import units
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.cli.amounts import SALINITY, TEMPERATURE, figure
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere
from dosingd.plan.defaults import SALINITY as SEAWATER
from dosingd.plan.defaults import TEMPERATURE_C
from dosingd.units.spellings import SPELLINGS, Kind
from dosingd.words import plain

#: Contents go through atomic weights, known to about one in ten thousand (calcium 40.078 ± 0.004, IUPAC 2021).
CONTENTS = (Kind.ALKALINITY, Kind.CALCIUM, Kind.MAGNESIUM, Kind.CARBON)


@click.command(
    short_help="A quantity in another unit.",
    epilog='Example:  dosingd convert "8 dKH" "umol/kg" --salinity "35 g/kg" --temperature "25 degC"',
    # A temperature below zero, "-4 degF", is no option.
    context_settings={"ignore_unknown_options": True},
)
@click.argument("quantity")
@click.argument("unit")
@click.option("--salinity", type=SALINITY, metavar="S", help="Of the water, where its density counts; 35 g/kg.")
@click.option("--temperature", type=TEMPERATURE, metavar="T", help="Of the water, where its density counts; 25 degC.")
@options_everywhere
def convert(quantity: str, unit: str, salinity: float | None, temperature: float | None) -> Reply:
    """Convert a QUANTITY, one number and one unit, to another UNIT.

    Units with a space in them stand in quotes: "mg/L CaCO3", "gal (US)".
    """
    of_water = [name for name, said in (("--salinity", salinity), ("--temperature", temperature)) if said is not None]
    salinity = SEAWATER if salinity is None else salinity
    temperature = TEMPERATURE_C if temperature is None else temperature
    value = units.convert(quantity, unit, salinity, temperature)
    entered = units.rules(units.unit_of(quantity), unit)
    by = convention(entered, salinity, temperature)
    lines = [f"{quantity.strip()} is {shown(value, unit, entered)} {unit.strip()}", *([folded(by)] if by else [])]
    if of_water and units.Rule.DENSITY not in entered:
        lines.append(folded(f"{' and '.join(of_water)} made no difference: this goes by the same in any water."))
    return Reply({"value": value, "unit": unit.strip(), "convention": by}, "\n".join(lines))


def shown(value: float, unit: str, entered: Collection[units.Rule]) -> str:
    """The value with the digits that are known: a temperature to a hundredth, a specific gravity to the fourth place
    and a salinity from one to a tenth, as instruments read; a content with four digits, anything else with six."""
    spelt = " ".join(unit.replace("µ", "u").replace("μ", "u").split())
    if spelt in SPELLINGS[Kind.TEMPERATURE]:
        return f"{value:.2f}".rstrip("0").rstrip(".")
    if units.Rule.SPECIFIC_GRAVITY in entered:
        return f"{value:.4f}" if unit.strip().casefold() == "sg" else f"{value:.1f}"
    return figure(value, 4 if any(spelt in SPELLINGS[kind] for kind in CONTENTS) else 6)


def convention(entered: Collection[units.Rule], salinity: float, temperature_c: float) -> str | None:
    """What the answer goes by beside the units themselves; None where nothing does."""
    said = []
    if units.Rule.SPECIFIC_GRAVITY in entered:
        said.append(
            "Specific gravity is 25/25 here: the density of the water at 25 degC over that of pure water at 25 degC. "
            "An instrument for 20/20, 25/4 or 60/60 degF reads the same water otherwise."
        )
    if units.Rule.DENSITY in entered:
        density = density_kg_per_l(salinity, temperature_c)
        said.append(
            f"By the density of seawater at {plain(salinity)} g/kg and {plain(temperature_c, 4)} degC: "
            f"{density:.4f} kg/L."
        )
    if units.Rule.PRACTICAL_SALINITY in entered:
        said.append(
            "g/kg, ppt and PSU are all read as practical salinity here. Absolute salinity, in g/kg by TEOS-10, is "
            "0.5 % higher."
        )
    if units.Rule.CO2_PRESSURE in entered:
        said.append("ppm of CO2 in the air are read as µatm, as if the air were dry and at one atmosphere.")
    return " ".join(said) or None
