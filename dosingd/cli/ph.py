"""`dosingd ph`: what a dose of alkalinity does to the water's pH, at first and once the air has had its say."""

from __future__ import annotations

from typing import Any

import click

from dosingd.chemistry import carbonate
from dosingd.chemistry.salts import Base
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.cli.amounts import CO2, SALINITY, TEMPERATURE, quantity_of
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere
from dosingd.cli.words import table
from dosingd.plan.defaults import SALINITY as SEAWATER
from dosingd.plan.defaults import TEMPERATURE_C
from dosingd.units import Kind


@click.command(
    short_help="A dose's effect on the water.",
    epilog='Example:  dosingd ph --alkalinity "8 dKH" --co2 "600 ppm" --add "0.5 dKH" --as carbonate',
)
@click.option("--alkalinity", required=True, metavar="A", help="Of the water, before: 8 dKH, 2.85 meq/L.")
@click.option("--salinity", type=SALINITY, metavar="S", help="35 g/kg if not said.")
@click.option("--temperature", type=TEMPERATURE, metavar="T", help="25 degC if not said.")
@click.option("--co2", type=CO2, metavar="PPM", help="Of the room's air, read as µatm; 400 ppm if not said.")
@click.option("--dic", metavar="C", help="Inorganic carbon of the water before, instead of --co2: 2100 umol/kg.")
@click.option("--add", required=True, metavar="A", help="What the dose adds: 0.5 dKH, 0.2 meq/L.")
@click.option("--as", "base", required=True, type=click.Choice([each.value for each in Base]), help="The dose's base.")
@options_everywhere
def ph(
    alkalinity: str,
    salinity: float | None,
    temperature: float | None,
    co2: float | None,
    dic: str | None,
    add: str,
    base: str,
) -> Reply:
    """Say what a dose does to the pH: before it, after it while no gas is exchanged, and after the CO2 has evened out.

    For a tank that is well mixed and in balance with the room's air. At the outlet itself, for some seconds, the
    change is far larger.
    """
    salinity = SEAWATER if salinity is None else salinity
    temperature = TEMPERATURE_C if temperature is None else temperature
    if co2 is not None and dic is not None:
        raise click.UsageError("--dic says how much carbon is in the water, and so does --co2. Keep one of them.")
    density = density_kg_per_l(salinity, temperature)
    before_meq, add_meq = (
        float(quantity_of(option, text, Kind.ALKALINITY, density_kg_per_l=density).value)
        for option, text in (("--alkalinity", alkalinity), ("--add", add))
    )
    before_umol, add_umol = (
        carbonate.umol_per_kg_from_meq_per_l(meq, salinity, temperature) for meq in (before_meq, add_meq)
    )
    if dic is None:
        co2 = carbonate.OUTDOOR_UATM if co2 is None else co2
        before = carbonate.water_from_co2(before_umol, co2, salinity, temperature)
    else:
        mmol = float(quantity_of("--dic", dic, Kind.CARBON, density_kg_per_l=density).value)
        before = carbonate.water_from_dic(before_umol, mmol * 1000 / density, salinity, temperature)
    effect = carbonate.dose_effect(before, add_umol, Base(base), salinity, temperature)
    where = f"Salinity {salinity:g} g/kg, {temperature:g} degC, CO2 of the air {before.pco2_uatm:.4g} µatm"
    return Reply(data_of(effect), text_of(effect, base, where))


def data_of(effect: carbonate.DoseEffect) -> dict[str, Any]:
    """The waters for a program."""
    return {
        name: {
            "ph": water.ph,
            "omega_aragonite": water.omega_aragonite,
            "dic_umol_per_kg": water.dic_umol_per_kg,
            "alkalinity_umol_per_kg": water.alkalinity_umol_per_kg,
            "pco2_uatm": water.pco2_uatm,
        }
        for name, water in _waters(effect).items()
    } | {"delta_ph": effect.delta_ph}


def _waters(effect: carbonate.DoseEffect) -> dict[str, carbonate.Water]:
    return {"before": effect.before, "after": effect.after, "after_exchange": effect.after_exchange}


def text_of(effect: carbonate.DoseEffect, base: str, where: str) -> str:
    """The waters for a person."""
    waters = _waters(effect).values()
    shown = table(
        ["", "before", "after", "after gas exchange"],
        [
            ["pH, total scale", *(f"{water.ph:.3f}" for water in waters)],
            ["aragonite saturation", *(f"{water.omega_aragonite:.2f}" for water in waters)],
            ["inorganic carbon, µmol/kg", *(f"{water.dic_umol_per_kg:.1f}" for water in waters)],
            ["alkalinity, µmol/kg", *(f"{water.alkalinity_umol_per_kg:.1f}" for water in waters)],
            ["CO2, µatm", *(f"{water.pco2_uatm:.0f}" for water in waters)],
        ],
    )
    exchanged = effect.after_exchange.ph - effect.before.ph
    return "\n".join(
        [
            where,
            "",
            shown,
            "",
            f"As {base}: pH {effect.delta_ph:+.4f} at first, {exchanged:+.4f} once the CO2 of the air is back.",
            folded("Well mixed; at the outlet it is far more. A pH meter on the NBS scale reads about 0.13 higher."),
        ]
    )
