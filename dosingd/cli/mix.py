"""`dosingd mix`: a stock from a salt: mass, strength or volume from the other two, and all that goes with it."""

from __future__ import annotations

from typing import Any

import click

from dosingd import units
from dosingd.chemistry import balance, mixing, proving
from dosingd.chemistry.salts import BAKED_SODA, M_CA, SALTS, salt_named
from dosingd.cli.amounts import (
    MASS,
    SHARE,
    TEMPERATURE,
    VOLUME,
    assay_of,
    assay_options,
    bullets,
    figure,
    pairs,
    quantity_of,
)
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere
from dosingd.errors import ChemistryRefused
from dosingd.plan.defaults import COLDEST_C
from dosingd.records import Substance
from dosingd.words import plain

#: The partner's salt that is named first; every other salt that makes one is listed after it.
PARTNERS = {
    Substance.ALKALINITY: (
        "calcium chloride dihydrate",
        "calcium chloride anhydrous",
        "calcium chloride hexahydrate",
    ),
    Substance.CALCIUM: ("sodium carbonate", BAKED_SODA, "sodium bicarbonate", "sodium hydroxide"),
}


@click.command(
    short_help="A stock from a salt.",
    epilog='Example:  dosingd mix --salt "sodium carbonate" --mass "190 g" --volume "2 L" --assay "98.5 %"',
)
@click.option("--salt", required=True, metavar="NAME", help="The salt's name: sodium carbonate, baked soda, ...")
@click.option("--mass", type=MASS, metavar="M", help="What is weighed in; of baked soda, the powder from the oven.")
@click.option("--strength", metavar="S", help='"0.75 eq/L" of alkalinity, "36 g/L" of calcium or magnesium.')
@click.option("--volume", type=VOLUME, metavar="V", help="What it is made up to.")
@assay_options
@click.option("--coldest", type=TEMPERATURE, metavar="T", help="The coldest it will stand at; 20 degC if not said.")
@click.option("--conversion", type=SHARE, metavar="P", help="How far baked soda was baked; 100 % if not said.")
@click.option("--reading", metavar="R", help="What the test kit read in the glass: says what that means.")
@options_everywhere
def mix(
    salt: str,
    mass: float | None,
    strength: str | None,
    volume: float | None,
    assay: float | None,
    purity: float | None,
    coldest: float | None,
    conversion: float | None,
    reading: str | None,
) -> Reply:
    """Mix a stock: give two of mass, strength and volume, and the third follows.

    It also says whether the stock stays dissolved, how warm the water gets, how dense it is, what a test kit must
    read before it is poured, and its partner for equal volumes.
    """
    named = salt_named(salt)
    kind = units.kind_of(named.gives)
    of_l = None if strength is None else float(quantity_of("--strength", strength, kind).value) / 1000
    found = mixing.mix(
        named.name,
        mass_g=mass,
        strength=of_l,
        volume_l=volume,
        assay=assay_of(assay, purity),
        conversion=1.0 if conversion is None else conversion,
        coldest_c=COLDEST_C if coldest is None else coldest,
    )
    glass = proving.glass(found.strength, found.substance)
    judged = None if reading is None else _judge(reading, glass, found, kind)
    said = None if assay is None and purity is None else found.assay
    return Reply(data_of(found, glass, judged), text_of(found, glass, judged, said))


def _judge(reading: str, glass: proving.Glass, found: mixing.Mix, kind: units.Kind) -> proving.Proof:
    read, _ = units.shown_change(float(quantity_of("--reading", reading, kind).value), found.substance)
    return proving.judge(glass.reads, read, found.substance, found.salt)


def _partners(found: mixing.Mix) -> dict[str, float]:
    """Grams of each salt that makes the partner stock of the same volume; none for magnesium and calcium hydroxide."""
    try:
        return {
            salt: _powder_g(salt, balance.partner_mass_g(found.strength, salt, found.volume_l))
            for salt in PARTNERS.get(found.substance, ())
        }
    except ChemistryRefused:
        return {}


def _powder_g(salt: str, grams: float) -> float:
    """Baked soda is told by the bicarbonate everywhere but on the balance beside the bucket."""
    return grams * SALTS[salt].anhydrous_fraction if salt == BAKED_SODA else grams


def _stays(found: mixing.Mix, salt: str, mass_g: float) -> bool:
    """Whether the partner stays dissolved at the same coldest."""
    coldest_c = found.saturation.temperature_c
    return mixing.mix(salt, mass_g=mass_g, volume_l=found.volume_l, coldest_c=coldest_c).saturation.dissolves


def data_of(found: mixing.Mix, glass: proving.Glass, judged: proving.Proof | None) -> dict[str, Any]:
    """The stock for a program."""
    alkaline = found.substance is Substance.ALKALINITY
    partners = _partners(found)
    least, most, basis = balance.magnesium_suggestion()
    data: dict[str, Any] = {
        "salt": found.salt,
        "gives": found.substance.value,
        "mass_g": found.mass_g,
        "volume_l": found.volume_l,
    }
    if alkaline:
        data["strength_eq_per_l"] = found.strength.alkalinity_eq_per_l
    else:
        data["strength_g_per_l"] = found.strength_g_per_l
    cooled = found.cooled
    return data | {
        "calcium_g_per_l": found.strength.calcium_mol_per_l * M_CA or None,
        "per_ml_in_100_l": {"dkh" if alkaline else "mg_per_l": found.per_ml_in_100_l},
        "dissolves": found.saturation.dissolves,
        "solubility_fraction": found.saturation.fraction,
        "limited_by": found.saturation.limiting,
        "coldest_c": found.saturation.temperature_c,
        "crystallises": None
        if cooled is None
        else {
            "solid": cooled.solid,
            "solid_g_per_kg": cooled.solid_g_per_kg,
            "liquid_weaker_percent": cooled.weaker_percent,
        },
        "density_kg_per_l": found.density_kg_per_l,
        "water_g": found.water_g,
        "temperature_rise_k": found.temperature_rise_k,
        "bicarbonate_g": found.bicarbonate_g,
        "partner": {"salt": (first := next(iter(partners))), "mass_g": partners[first]} if partners else None,
        "partners": [
            {"salt": salt, "mass_g": grams, "dissolves": _stays(found, salt, grams)} for salt, grams in partners.items()
        ],
        "magnesium": {"least_mg_per_l_per_dkh": least, "most_mg_per_l_per_dkh": most, "basis": basis},
        "proof": {
            "stock_ml": glass.ml,
            "made_up_to_l": 1,
            "reads": glass.reads,
            "unit": glass.unit,
            "otherwise": [
                {"reads": reads, "means": means}
                for reads, means in proving.wrong_readings(glass.reads, found.substance, found.salt)
            ],
        },
        "reading": None
        if judged is None
        else {"agrees": judged.agrees, "ratio": judged.ratio, "meaning": judged.meaning},
        "cautions": found.cautions,
    }


def text_of(found: mixing.Mix, glass: proving.Glass, judged: proving.Proof | None, assay: float | None) -> str:
    """The stock for a person."""
    blocks = [
        folded(f"{found.salt}: {figure(found.mass_g)} g, made up to {figure(found.volume_l)} L, is {_strength(found)}"),
        pairs(_rows(found)),
        pairs(_proof_rows(glass, found)),
    ]
    if judged is not None:
        blocks.append(pairs([("Your reading", judged.meaning)]))
    return "\n\n".join([*blocks, _in_the_plan(found, assay), bullets("Mind", found.cautions)])


def _strength(found: mixing.Mix) -> str:
    if found.strength_g_per_l is not None:
        return f"{figure(found.strength_g_per_l, 4)} g/L of {found.substance}"
    lime = found.strength.calcium_mol_per_l * M_CA
    return f"{figure(found.strength.alkalinity_eq_per_l, 4)} eq/L" + (
        f" and {figure(lime, 4)} g/L of calcium" if lime else ""
    )


def _rows(found: mixing.Mix) -> list[tuple[str, str]]:
    unit = "dKH" if found.substance is Substance.ALKALINITY else "mg/L"
    rows = [("1 mL adds", f"{figure(found.per_ml_in_100_l, 4)} {unit} to 100 L")]
    if found.bicarbonate_g is not None:
        rows.append(
            (
                "Before the oven",
                f"{figure(found.bicarbonate_g, 4)} g of bicarbonate, {figure(found.conversion * 100, 3)} % baked",
            )
        )
    if found.density_kg_per_l is not None and found.water_g is not None:
        rows.append(
            (
                "Weighed",
                f"the salt into {figure(found.water_g, 4)} g of water, at 20 degC; the stock then weighs "
                f"{found.density_kg_per_l:.3f} kg/L",
            )
        )
    if found.temperature_rise_k is not None and abs(found.temperature_rise_k) >= 0.5:
        rows.append(("Dissolved at once", f"the water changes by about {found.temperature_rise_k:+.0f} K"))
    if partners := _partners(found):
        first, *others = (
            f"{figure(grams, 4)} g of {salt}" + ("" if _stays(found, salt, grams) else " (would not stay dissolved)")
            for salt, grams in partners.items()
        )
        rows.append(("Partner", f"for equal volumes: {first} in {figure(found.volume_l)} L; or {', or '.join(others)}"))
    if found.substance is not Substance.CALCIUM:
        rows.append(("Magnesium", balance.magnesium_suggestion()[2]))
    return rows


def _proof_rows(glass: proving.Glass, found: mixing.Mix) -> list[tuple[str, str]]:
    substance = found.substance
    if glass.reads < proving.KIT_STEPS * proving.KIT_STEP[substance]:
        return [("Before it is poured", "a test kit cannot tell this stock from water: it is too weak to be proved")]
    rows = [
        (
            "Before it is poured",
            f"{plain(glass.ml)} mL of it, filled up to 1 L with pure water, must read "
            f"{proving.shown_reading(glass.reads, substance)}",
        )
    ]
    for reads, means in proving.wrong_readings(glass.reads, substance, found.salt):
        rows.append((f"  {proving.shown_reading(reads, substance)}", means))
    rows.append((f"  next to 0 {glass.unit}", "swapped bottles, or a spent reagent"))
    return rows


def _in_the_plan(found: mixing.Mix, assay: float | None) -> str:
    """The stock as a plan says it: the same figures, so that `check` reckons the same strength."""
    weighed, grams = ("mass", found.mass_g) if found.bicarbonate_g is None else ("bicarbonate", found.bicarbonate_g)
    said = f"{weighed}: {figure(grams, 6)} g" + ("" if assay is None else f", assay: {figure(assay * 100, 6)} %")
    return "\n".join(
        [
            "In the plan, under stocks (choose a name of your own)",
            "  new-batch:",
            f"    gives: {found.substance}",
            "    salts:",
            f"      {found.salt}: {{{said}}}",
            f"    made_up_to: {figure(found.volume_l, 6)} L",
            f"    coldest: {figure(found.saturation.temperature_c)} degC",
        ]
    )
