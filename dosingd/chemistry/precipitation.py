"""Whether a water is a tank's at all, and whether calcium carbonate would fall out of it.

The carbonate system is reckoned as if nothing falls out. Far above saturation that is no longer so: chalk takes calcium
and alkalinity out of the water, more than the dose brought, and the figures are then of no real water.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from dosingd.chemistry.carbonate import DoseEffect, Water
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Aragonite saturation above which calcium carbonate was seen to run away after alkalinity had been added to seawater,
#: taking more alkalinity than had been given. Source: Moras et al. 2022, Biogeosciences 19, 3537 (lime in seawater; the
#: figures from memory).
RUNS_AWAY_FROM = 7.0
#: And up to which it was not seen to, in the same work. Many tanks stand between the two.
STAYS_TO = 5.0
#: Below this aragonite dissolves: skeletons and sand. By the definition of saturation.
DISSOLVES_BELOW = 1.0

#: Alkalinity of a tank's water, dKH, before a dose and after it. Natural seawater has 6.5 to 7, reef tanks 7 to 12, and
#: at 30 in outdoor air aragonite is some 40 times saturated. Common practice, no source.
TANK_DKH = (1.0, 30.0)
#: CO2 with which a tank's water is in balance, µatm. Outdoor air has some 420, a workplace 5000 at most over 8 hours
#: (Directive 2006/15/EC, from memory); a reactor's outlet is no tank. Common practice, no source, but for that.
TANK_UATM = (50.0, 10_000.0)
#: Calcium of a tank's water, mg/L; natural seawater has some 420 at salinity 35. Common practice, no source.
TANK_CALCIUM_MG_PER_L = (100.0, 1000.0)
#: A dose that lifts the whole tank by more is a shock at its outlet, however well it is stirred in. Common practice, no
#: source.
AT_ONCE_DKH = 0.5
#: What units lose on the way, dKH.
_ROUNDING = 1e-6


def refuse_no_tank(alkalinity_dkh: float, add_dkh: float, calcium_mg_per_l: float | None = None) -> None:
    """Raises ChemistryRefused, with the range and the reason, for an alkalinity before or after the dose, or a calcium
    content, that no tank has."""
    least, most = TANK_DKH
    reason = (
        f"A tank's water has {plain(least)} to {plain(most)} dKH. Above that chalk falls out before anyone could "
        "measure a pH, and no figure reckoned here would be true"
    )
    if alkalinity_dkh < least:
        raise ChemistryRefused(
            f"An alkalinity of {plain(alkalinity_dkh, 4)} dKH is no tank's: it must be {plain(least)} to {plain(most)} "
            "dKH. Seawater has 6.5 to 7, and with next to none the pH goes by what is left out here."
        )
    if not alkalinity_dkh <= most + _ROUNDING:
        raise ChemistryRefused(f"An alkalinity of {plain(alkalinity_dkh, 4)} dKH is no tank's. {reason}.")
    if not add_dkh >= 0 or alkalinity_dkh + add_dkh > most + _ROUNDING:
        raise ChemistryRefused(
            f"A dose of {plain(add_dkh, 4)} dKH on {plain(alkalinity_dkh, 4)} dKH makes "
            f"{plain(alkalinity_dkh + add_dkh, 4)} dKH. {reason}. Ask for one dose of the plan, such as 0.1 dKH."
        )
    low, high = TANK_CALCIUM_MG_PER_L
    if calcium_mg_per_l is not None and not low <= calcium_mg_per_l <= high:
        raise ChemistryRefused(
            f"A calcium content of {plain(calcium_mg_per_l, 4)} mg/L is no tank's: seawater has about 420, and here it "
            f"may be {plain(low)} to {plain(high)} mg/L."
        )


def refuse_no_air(water: Water) -> None:
    """Raises ChemistryRefused for a water whose CO2 no room's air and no tank has."""
    least, most = TANK_UATM
    if not least <= water.pco2_uatm <= most:
        raise ChemistryRefused(
            f"This water would hold CO2 of {plain(water.pco2_uatm, 3)} µatm. A tank's is {plain(least)} to "
            f"{plain(most)} µatm: outdoor air has some 420, and rooms 500 to 1500. Look at --co2 or --dic again."
        )


def runs_away(effect: DoseEffect) -> bool:
    """Whether chalk would fall out of any of the three waters: aragonite saturation above RUNS_AWAY_FROM."""
    return any(water.omega_aragonite > RUNS_AWAY_FROM for _, water in _waters(effect))


def _waters(effect: DoseEffect) -> tuple[tuple[str, Water], ...]:
    return ("before the dose", effect.before), ("after it", effect.after), ("after gas exchange", effect.after_exchange)


def warnings(effect: DoseEffect, add_dkh: float) -> tuple[str, ...]:
    """What to mind of the waters before and after a dose: chalk that would fall out, skeletons that would dissolve, and
    a dose too large for once. Sources: see RUNS_AWAY_FROM; the rules for a dose and for its outlet are common practice
    without a source."""
    found = []
    above = [
        f"{when} ({water.omega_aragonite:.1f})"
        for when, water in _waters(effect)
        if water.omega_aragonite > RUNS_AWAY_FROM
    ]
    if above:
        found.append(
            f"Chalk: aragonite saturation is above {plain(RUNS_AWAY_FROM)} {', '.join(above)}. There calcium "
            "carbonate was seen to fall out by itself and to take more alkalinity than was added (Moras et al. 2022, "
            "Biogeosciences 19, 3537); the figures above take nothing as fallen out. "
            + (
                "Do not add: test alkalinity, calcium and salinity again, and let it fall."
                if effect.before.omega_aragonite > RUNS_AWAY_FROM
                else "Give less: it would stay there."
                if effect.after_exchange.omega_aragonite > RUNS_AWAY_FROM
                else "Give less at once."
            )
        )
    highest = max(water.omega_aragonite for _, water in _waters(effect))
    if not above and highest > STAYS_TO:
        found.append(
            f"Aragonite saturation gets to {highest:.1f}: up to {plain(STAYS_TO)} chalk did not fall out by itself, "
            f"above {plain(RUNS_AWAY_FROM)} it did (Moras et al. 2022, Biogeosciences 19, 3537)."
        )
    if effect.before.omega_aragonite < DISSOLVES_BELOW:
        found.append(
            f"Before the dose aragonite saturation is {effect.before.omega_aragonite:.1f}: below "
            f"{plain(DISSOLVES_BELOW)} skeletons and sand dissolve. Test again, and air the room."
        )
    if add_dkh > AT_ONCE_DKH + _ROUNDING:
        found.append(
            f"{plain(add_dkh, 3)} dKH at once is much: split it so that a dose lifts the tank by {plain(AT_ONCE_DKH)} "
            "dKH at most (common practice, no source)."
        )
    found.append(
        "At the outlet the stock meets little water, and saturation there is far above these figures for seconds: dose "
        "into strong flow, in small doses, away from calcium (common practice, no source)."
    )
    return tuple(found)
