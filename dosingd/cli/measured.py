"""What a keeper measured, as it was typed: `10 s=10.62 g`, `10.4 mL`, and what masses become by water or stock."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen

from dosingd.acceptance import Measured
from dosingd.chemistry.weighing import stock_ml_per_g, z_factor_ml_per_g
from dosingd.errors import ChemistryRefused, UnitRefused
from dosingd.requests import DECLARED
from dosingd.units import Kind, Quantity, quantity

EXAMPLE = '"10 s=10.62 g" or "10 s=10.6 mL"'


@frozen
class Weighed:
    """What masses are of: water of a temperature, or a stock of a density; of neither when nothing was weighed."""

    water_c: float | None = None
    density_kg_per_l: float | None = None

    def ul_per_g(self) -> float:
        """µL for each gram that the balance shows. Raises UnitRefused when nothing says what was weighed."""
        if self.water_c is not None and self.density_kg_per_l is not None:
            raise UnitRefused("--water is for weighed water and --density for a weighed stock: say one of them.")
        try:
            if self.water_c is not None:
                return z_factor_ml_per_g(self.water_c) * 1000
            if self.density_kg_per_l is not None:
                return stock_ml_per_g(self.density_kg_per_l) * 1000
        except ChemistryRefused as refused:
            raise UnitRefused(str(refused)) from None
        raise UnitRefused(
            "A mass is a volume only by what was weighed. Of water say its temperature, such as --water 22degC; of the "
            "stock its density, such as --density 1.08kg/L."
        )


def run_of(text: str) -> tuple[float, Quantity]:
    """Seconds, and the volume or mass that they gave, from `10 s=10.62 g`. Raises UnitRefused, in words."""
    parts = text.split("=")
    if len(parts) != 2:
        raise UnitRefused(f'"{text}": write the seconds, "=", and what they gave, such as {EXAMPLE}.')
    left, right = (part.strip() for part in parts)
    for side, what in ((left, "the seconds are missing"), (right, "what they gave is missing")):
        if not side:
            raise UnitRefused(f'"{text}": {what}. Write it such as {EXAMPLE}.')
    if _reads(left, Kind.VOLUME, Kind.MASS) and _reads(right, Kind.DURATION):
        raise UnitRefused(f'"{text}" is the wrong way round: the seconds come first, such as {EXAMPLE}.')
    seconds = float(quantity(left, Kind.DURATION).value)
    return _above_zero(text, seconds), measured_of(right)


def measured_of(text: str) -> Quantity:
    """What a run gave: a volume or a mass, above zero. Raises UnitRefused."""
    found = quantity(text, Kind.VOLUME, Kind.MASS)
    _above_zero(text, float(found.value))
    return found


def _above_zero(text: str, value: float) -> float:
    if value <= 0:
        raise UnitRefused(f'"{text}": a run lasts longer than nothing, and gives more than nothing.')
    return value


def _reads(text: str, *kinds: Kind) -> bool:
    try:
        quantity(text, *kinds)
    except UnitRefused:
        return False
    return True


def volumes_ul(given: Sequence[Quantity], weighed: Weighed) -> list[float]:
    """What the runs gave in µL. Raises UnitRefused where masses and volumes are mixed, and where what was said of
    masses does not go with volumes: one of them was typed for the other."""
    masses = [each.kind is Kind.MASS for each in given]
    if not any(masses):
        if weighed != Weighed():
            raise UnitRefused(
                "The runs are volumes, and --water or --density is for masses. If they were weighed, write them in g; "
                "else leave it out."
            )
        return [float(each.value) for each in given]
    if not all(masses):
        raise UnitRefused("Some runs are masses and some are volumes. Measure all of them the same way.")
    ul_per_g = weighed.ul_per_g()
    return [float(each.value) * ul_per_g for each in given]


def declared(texts: Sequence[str], weighed: Weighed) -> Measured:
    """The runs that a keeper timed. Raises UnitRefused."""
    runs = []
    for number_of, text in enumerate(texts, start=1):
        try:
            runs.append(run_of(text))
        except UnitRefused as refused:
            said = str(refused).removeprefix(f'"{text}"').removeprefix(": ").strip()
            raise UnitRefused(f'--run {number_of} of {len(texts)}, "{text}": {said}') from None
    volumes = volumes_ul([given for _, given in runs], weighed)
    pairs = tuple((seconds, volume) for (seconds, _), volume in zip(runs, volumes, strict=True))
    return Measured(pairs, DECLARED, weighed.water_c, weighed.density_kg_per_l)
