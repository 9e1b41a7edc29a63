"""`dosingd convert`: a quantity in another unit."""

from __future__ import annotations

import click

from dosingd import units
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.cli.amounts import SALINITY, TEMPERATURE, figure
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere
from dosingd.plan.defaults import SALINITY as SEAWATER
from dosingd.plan.defaults import TEMPERATURE_C


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
    salinity = SEAWATER if salinity is None else salinity
    temperature = TEMPERATURE_C if temperature is None else temperature
    value = units.convert(quantity, unit, salinity, temperature)
    by = convention(quantity, unit, salinity, temperature)
    text = f"{quantity.strip()} is {figure(value, 6)} {unit.strip()}"
    return Reply(
        {"value": value, "unit": unit.strip(), "convention": by}, "\n".join([text, folded(by)] if by else [text])
    )


def convention(quantity: str, unit: str, salinity: float, temperature_c: float) -> str | None:
    """What the answer goes by beside the units themselves; None where nothing does."""
    words = f"{quantity} {unit}".split()
    if "sg" in (word.casefold().lstrip("0123456789.") for word in words):
        return (
            "Specific gravity is 25/25 here: the density of the water at 25 degC over that of pure water at 25 degC. "
            "An instrument for 20/20, 25/4 or 60/60 degF reads the same water otherwise."
        )
    per_kg = ["/kg" in text.replace(" ", "") for text in (quantity, unit)]
    if per_kg[0] != per_kg[1]:
        density = density_kg_per_l(salinity, temperature_c)
        return f"By the density of seawater at {salinity:g} g/kg and {temperature_c:g} degC: {density:.6f} kg/L."
    return None
