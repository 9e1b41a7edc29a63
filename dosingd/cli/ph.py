"""`dosingd ph`: what a dose of alkalinity does to the water's pH, at first and once the air has had its say."""

from __future__ import annotations

from typing import Any

import click

from dosingd.chemistry import carbonate, equilibria, precipitation
from dosingd.chemistry.salts import M_CA, Base
from dosingd.chemistry.seawater import density_kg_per_l, dkh_from_meq_per_l
from dosingd.cli.amounts import CO2, SALINITY, TEMPERATURE, bullets, quantity_of
from dosingd.cli.reply import Reply
from dosingd.cli.wishes import options_everywhere
from dosingd.cli.words import plain, table
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
@click.option("--calcium", metavar="C", help="Of the water: 430 mg/L; seawater's of that salinity if not said.")
@click.option("--add", required=True, metavar="A", help="What the dose adds: 0.5 dKH, 0.2 meq/L.")
@click.option("--as", "base", required=True, type=click.Choice([each.value for each in Base]), help="The dose's base.")
@options_everywhere
def ph(
    alkalinity: str,
    salinity: float | None,
    temperature: float | None,
    co2: float | None,
    dic: str | None,
    calcium: str | None,
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
    calcium_mg = None
    if calcium is not None:
        calcium_mg = M_CA * float(quantity_of("--calcium", calcium, Kind.CALCIUM, density_kg_per_l=density).value)
    add_dkh = dkh_from_meq_per_l(add_meq)
    precipitation.refuse_no_tank(dkh_from_meq_per_l(before_meq), add_dkh, calcium_mg)
    calcium_mol = None if calcium_mg is None else calcium_mg / M_CA / 1000 / density
    before_umol, add_umol = (
        carbonate.umol_per_kg_from_meq_per_l(meq, salinity, temperature) for meq in (before_meq, add_meq)
    )
    if dic is None:
        co2 = carbonate.OUTDOOR_UATM if co2 is None else co2
        before = carbonate.water_from_co2(before_umol, co2, salinity, temperature, calcium_mol)
    else:
        mmol = float(quantity_of("--dic", dic, Kind.CARBON, density_kg_per_l=density).value)
        before = carbonate.water_from_dic(before_umol, mmol * 1000 / density, salinity, temperature, calcium_mol)
    precipitation.refuse_no_air(before)
    effect = carbonate.dose_effect(before, add_umol, Base(base), salinity, temperature, calcium_mol)
    mind = precipitation.warnings(effect, add_dkh)
    shown_mg = M_CA * 1000 * density * equilibria.calcium_mol_per_kg(salinity) if calcium_mg is None else calcium_mg
    where = (
        f"Salinity {plain(salinity)} g/kg, {plain(temperature, 4)} degC, CO2 {before.pco2_uatm:.0f} µatm, calcium "
        f"{shown_mg:.0f} mg/L{' as in seawater' if calcium_mg is None else ''}"
    )
    return Reply(data_of(effect, shown_mg, mind), text_of(effect, base, where, density, mind))


def data_of(effect: carbonate.DoseEffect, calcium_mg_per_l: float, mind: tuple[str, ...]) -> dict[str, Any]:
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
    } | {
        "delta_ph": effect.delta_ph,
        "calcium_mg_per_l": calcium_mg_per_l,
        "precipitates": precipitation.runs_away(effect),
        "cautions": mind,
    }


def _waters(effect: carbonate.DoseEffect) -> dict[str, carbonate.Water]:
    return {"before": effect.before, "after": effect.after, "after_exchange": effect.after_exchange}


def text_of(effect: carbonate.DoseEffect, base: str, where: str, density_kg_per_l: float, mind: tuple[str, ...]) -> str:
    """The waters for a person, with the digits that are known: pH to a hundredth, saturation to a tenth."""
    waters = _waters(effect).values()
    shown = table(
        ["", "before", "after", "after gas exchange"],
        [
            ["pH, total scale", *(f"{water.ph:.2f}" for water in waters)],
            ["aragonite saturation", *(f"{water.omega_aragonite:.1f}" for water in waters)],
            ["alkalinity, dKH", *(f"{_dkh(water, density_kg_per_l):.2f}" for water in waters)],
            ["alkalinity, µmol/kg", *(f"{water.alkalinity_umol_per_kg:.0f}" for water in waters)],
            ["inorganic carbon, µmol/kg", *(f"{water.dic_umol_per_kg:.0f}" for water in waters)],
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
            f"As {base}: pH {_step(effect.delta_ph)} at first, {_step(exchanged)} once the CO2 of the air is back.",
            "Well mixed. A pH meter on the NBS scale reads about 0.13 higher.",
            "",
            bullets("Mind", mind),
        ]
    )


def _dkh(water: carbonate.Water, density_kg_per_l: float) -> float:
    return dkh_from_meq_per_l(water.alkalinity_umol_per_kg * density_kg_per_l / 1000)


def _step(change: float) -> str:
    """A change of the pH with two or three digits that count, and no sign where there is none."""
    shown = f"{change:+.3f}" if abs(change) >= 0.01 else f"{change:+.4f}"
    return shown if float(shown) else "0"
