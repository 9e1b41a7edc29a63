"""The one table of plausible ranges: what a setting may be at least and at most, whatever the other settings say.

Wide on purpose, so that bench plans with fast pumps and small tanks are read too; the table catches typing errors of a
factor of a thousand, the rules between settings (`rules.py`) catch the rest. README prints this table.

The ranges are common practice, no source, except where a comment says more.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from attrs import frozen

from dosingd.units import Kind, quantity


@frozen(slots=False)
class Range:
    """From `least` to `most`, both allowed, as the keeper would write them; `kind` None is a bare number."""

    least: str
    most: str
    kind: Kind | None = None
    #: How many of the kind's inside units the setting's own unit is: a tank is kept in litres, 1,000,000 µL each.
    unit: float = 1.0

    @cached_property
    def inside(self) -> tuple[float, float]:
        """Both ends in the setting's inside unit."""
        if self.kind is None:
            return float(self.least), float(self.most)
        low, high = quantity(self.least, self.kind).value, quantity(self.most, self.kind).value
        return float(low) / self.unit, float(high) / self.unit

    def holds(self, value: float) -> bool:
        """Whether the range holds a value in the inside unit."""
        low, high = self.inside
        return low <= value <= high


LITRE = 1_000_000.0

#: By setting; `*` is an id, `[]` an item of a list. A change of the tank has one range for each substance.
PLAUSIBLE: Mapping[str, Range] = {
    "tank.water": Range("1 L", "100000 L", Kind.VOLUME, LITRE),
    "tank.salinity": Range("5 g/kg", "42 g/kg", Kind.SALINITY),
    "tank.temperature": Range("10 degC", "35 degC", Kind.TEMPERATURE),
    "tank.co2": Range("100 ppm", "5000 ppm", Kind.CO2),
    "stocks.*.salts.*.mass": Range("10 mg", "100 kg", Kind.MASS),
    "stocks.*.salts.*.bicarbonate": Range("10 mg", "100 kg", Kind.MASS),
    "stocks.*.salts.*.assay": Range("10 %", "100 %", Kind.FRACTION),
    "stocks.*.salts.*.purity": Range("10 %", "100 %", Kind.FRACTION),
    "stocks.*.made_up_to": Range("1 mL", "1000 L", Kind.VOLUME, LITRE),
    "stocks.*.coldest": Range("0 degC", "30 degC", Kind.TEMPERATURE),
    # The upper ends are beyond saturation: sodium hydroxide, calcium chloride and magnesium chloride at 30 degC.
    "stocks.*.strength.alkalinity": Range("0.001 eq/L", "20 eq/L", Kind.ALKALINITY),
    "stocks.*.strength.calcium": Range("0.01 g/L", "300 g/L", Kind.CALCIUM),
    "stocks.*.strength.magnesium": Range("0.01 g/L", "150 g/L", Kind.MAGNESIUM),
    "stocks.*.label.per": Range("0.001 mL", "10 L", Kind.VOLUME),
    "stocks.*.label.to": Range("1 mL", "100000 L", Kind.VOLUME, LITRE),
    "channels.*.daily as alkalinity": Range("0.001 dKH", "20 dKH", Kind.ALKALINITY),
    "channels.*.daily as calcium": Range("0.005 mg/L", "150 mg/L", Kind.CALCIUM),
    "channels.*.daily as magnesium": Range("0.005 mg/L", "150 mg/L", Kind.MAGNESIUM),
    "channels.*.daily as a volume": Range("0.001 mL", "100 L", Kind.VOLUME),
    "channels.*.daily.per_dkh as alkalinity": Range("0.001 dKH", "100 dKH", Kind.ALKALINITY),
    "channels.*.daily.per_dkh as calcium": Range("0.001 mg/L", "100 mg/L", Kind.CALCIUM),
    "channels.*.daily.per_dkh as magnesium": Range("0.001 mg/L", "100 mg/L", Kind.MAGNESIUM),
    # 28,800 doses a day is one every three seconds.
    "channels.*.doses": Range("1", "28800"),
    "channels.*.when[].share": Range("0.1 %", "100 %", Kind.FRACTION),
    "channels.*.pump.nominal_flow": Range("0.01 mL/min", "2 L/min", Kind.FLOW),
    "channels.*.pump.smallest": Range("0.001 mL", "1 L", Kind.VOLUME),
    "channels.*.pump.speed": Range("5 %", "100 %", Kind.FRACTION),
    "channels.*.limits.dose": Range("0.001 mL", "10 L", Kind.VOLUME),
    "channels.*.limits.day": Range("0.004 mL", "100 L", Kind.VOLUME),
    "channels.*.limits.run": Range("1 s", "24 h", Kind.DURATION),
    "channels.*.limits.rise as alkalinity": Range("0.001 dKH", "30 dKH", Kind.ALKALINITY),
    "channels.*.limits.rise as calcium": Range("0.005 mg/L", "250 mg/L", Kind.CALCIUM),
    "channels.*.limits.rise as magnesium": Range("0.005 mg/L", "250 mg/L", Kind.MAGNESIUM),
    "channels.*.reservoir.holds": Range("1 mL", "1000 L", Kind.VOLUME),
    "channels.*.reservoir.reserve": Range("0 mL", "1000 L", Kind.VOLUME),
    "channels.*.reservoir.warn": Range("1 hour", "365 days", Kind.DURATION),
    "channels.*.line": Range("0.001 mL", "10 L", Kind.VOLUME),
    "apart[].gap": Range("1 s", "12 h", Kind.DURATION),
    "mqtt.port": Range("1", "65535"),
}
