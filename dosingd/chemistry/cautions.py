"""Hazards of the salts and of working with them. The product's own safety data sheet and local rules come first.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen

from dosingd.chemistry.salts import salt_named

#: Source: UN GHS Rev. 9, Annex 3 (from memory; H314 to H335 seen on safety data sheets).
STATEMENTS: Mapping[str, str] = {
    "H290": "May be corrosive to metals",
    "H314": "Causes severe skin burns and eye damage",
    "H315": "Causes skin irritation",
    "H318": "Causes serious eye damage",
    "H319": "Causes serious eye irritation",
    "H335": "May cause respiratory irritation",
}


@frozen
class Hazard:
    """GHS signal word ("Danger", "Warning" or "none") and hazard statements of a salt."""

    signal_word: str
    codes: tuple[str, ...]


#: By the formula of what dissolves. Sources: Na2CO3 CLP Annex VI 011-005-00-2, CaCl2 017-013-00-2, NaOH 011-002-00-6
#: (index numbers from memory); H290 of NaOH and all of Ca(OH)2 are suppliers' classifications; the others are not
#: classified (from memory).
_HAZARDS: Mapping[str, Hazard] = {
    "Na2CO3": Hazard("Warning", ("H319",)),
    "NaHCO3": Hazard("none", ()),
    "CaCl2": Hazard("Warning", ("H319",)),
    "NaOH": Hazard("Danger", ("H290", "H314")),
    "Ca(OH)2": Hazard("Danger", ("H315", "H318", "H335")),
    "MgCl2": Hazard("none", ()),
    "MgSO4": Hazard("none", ()),
}

DATA_SHEET = "The product's safety data sheet and local rules come before anything said here."

BAKING: tuple[str, ...] = (
    "The oven, tray and powder stay hot for long: use oven gloves, and let the powder cool before it touches "
    "plastic or water.",
    "Ventilate: carbon dioxide and steam come off. Stay with the oven.",
    "Carbonate dust hurts eyes and throat: wear goggles, stir gently, keep it from children and animals.",
    "Use steel or glass: carbonate attacks aluminium once it is wet.",
    DATA_SHEET,
)


def hazard(salt_name: str) -> Hazard:
    """GHS signal word and hazard statements of a salt. Raises ChemistryRefused for an unknown one."""
    return _HAZARDS[salt_named(salt_name).dissolved]


def hazards_in_words(salt_name: str) -> str:
    """The hazard statements of a salt as one line, or that it is not classified."""
    found = hazard(salt_name)
    name = salt_named(salt_name).name
    if not found.codes:
        return f"{name}: not classified as hazardous; keep it out of eyes all the same."
    return f"{name}: {found.signal_word}. " + " ".join(f"{STATEMENTS[code]} ({code})." for code in found.codes)


def mixing_cautions(salt_name: str) -> tuple[str, ...]:
    """What to mind when a salt is weighed and dissolved: hazards, order, eyes, and that stocks never meet."""
    salt = salt_named(salt_name)
    lines = [hazards_in_words(salt_name), "Wear goggles and gloves. Keep salts and stocks from children and animals."]
    lines.append("Salt into water, in portions, stirring: never water onto salt.")
    if salt.dissolved == "NaOH":
        lines.append(
            "Lye burns skin and eyes within seconds and heats the water: cold water, plastic it does not "
            "attack, no aluminium."
        )
    if salt.dissolved == "CaCl2":
        lines.append("It heats the water: use cold water and let the stock cool before it is made up to volume.")
    if salt.dissolved == "Na2CO3":
        lines.append("A carbonate stock has a pH above 11: no aluminium, and rinse splashes off at once.")
    lines.append(
        "Alkalinity and calcium or magnesium stocks never meet undiluted: they turn solid. Separate cups, lines "
        "and bottles."
    )
    lines.append(DATA_SHEET)
    return tuple(lines)
