"""What needs more than one setting to be read: strengths of stocks, changes of the tank, what each channel gives a day.

A change (`1.2 dKH`, `15 mg/L`) is read in the terms of what the channel's stock gives, and a stock's strength follows
from its salts, its stated strength or its label. What does not derive is a fault.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from attrs import define, field

from dosingd import units
from dosingd.chemistry.salts import BAKED_SODA, salt_named
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.chemistry.solubility import saturation
from dosingd.chemistry.stock import Strength, strength_from_label, strength_from_salts
from dosingd.errors import ChemistryRefused, UnitRefused
from dosingd.plan.defaults import COLDEST_C, SALINITY, TEMPERATURE_C
from dosingd.plan.leaves import did_you_mean
from dosingd.plan.model import DailyChange, DailyVolume, Follows, SaltPortion
from dosingd.plan.plausible import PLAUSIBLE
from dosingd.plan.structure import Values
from dosingd.records import Substance
from dosingd.units import Kind
from dosingd.words import plain

_KIND = {
    Substance.ALKALINITY: Kind.ALKALINITY,
    Substance.CALCIUM: Kind.CALCIUM,
    Substance.MAGNESIUM: Kind.MAGNESIUM,
}


@define
class Deriving:
    """One pass over the values of a plan. `fault(path, message)` reports."""

    values: Values
    fault: Callable[[str, str], None]
    strengths: dict[str, Strength] = field(factory=dict)  #: by stock
    portions: dict[str, tuple[SaltPortion, ...]] = field(factory=dict)  #: by stock
    daily: dict[str, DailyChange | DailyVolume | Follows] = field(factory=dict)  #: by channel
    rises_umol: dict[str, float] = field(factory=dict)  #: by channel

    def all(self) -> None:
        """Derive everything that the values allow."""
        for stock in self.values.ids("stocks"):
            self._stock(stock)
        for channel in self.values.ids("channels"):
            self._channel(channel)

    def gives(self, channel: str) -> Substance | None:
        """What a channel is there for; None when its stock does not say."""
        stock = self.values.get(f"channels.{channel}.stock", str)
        word = self.values.get(f"stocks.{stock}.gives", str)
        return None if word is None else Substance(word)

    def strength(self, channel: str) -> Strength | None:
        """The strength of a channel's stock."""
        return self.strengths.get(self.values.get(f"channels.{channel}.stock", str) or "")

    # -- stocks ---------------------------------------------------------------------------------------------------

    def _stock(self, stock: str) -> None:
        base = f"stocks.{stock}"
        said = [key for key in ("salts", "strength", "label") if f"{base}.{key}" in self.values.said]
        word = self.values.get(f"{base}.gives", str)
        if len(said) > 1:
            self.fault(
                f"{base}.{said[1]}",
                f"a stock is told by its salts, its strength or its label, and {said[0]} is said. Keep one.",
            )
            return
        if not said:
            if word not in (None, "other"):
                self.fault(
                    f"{base}.salts", f"missing. Write the salts and made_up_to, or strength: {{{word}: ...}}, or label."
                )
            return
        if said[0] != "salts" and f"{base}.made_up_to" in self.values.said:
            self.fault(
                f"{base}.made_up_to", f"this goes with salts, and the stock is told by its {said[0]}. Take it out."
            )
        strength = self._from_salts(base, stock) if said[0] == "salts" else self._from_words(base, said[0], word)
        if strength is None:
            return
        if word not in (None, "other") and strength.of(Substance(str(word))) <= 0:
            does = [str(each) for each in _KIND if strength.of(each) > 0]
            self.fault(
                f"{base}.gives",
                f"what is in the stock gives {' and '.join(does)}, no {word}. Write gives: {does[0]}, or mend the"
                f" {said[0]}.",
            )
            return
        self.strengths[stock] = strength

    def _from_salts(self, base: str, stock: str) -> Strength | None:
        names = self.values.ids(f"{base}.salts")
        portions = [portion for name in names if (portion := self._portion(f"{base}.salts.{name}", name))]
        made_up_to_l = self.values.get(f"{base}.made_up_to", float)
        if f"{base}.made_up_to" not in self.values.said:
            self.fault(
                f"{base}.made_up_to", "missing. Write the volume that the salts are filled up to, as made_up_to: 2 L"
            )
        if not portions or len(portions) != len(names) or made_up_to_l is None:
            return None
        self.portions[stock] = tuple(portions)
        try:
            strength = strength_from_salts(portions, made_up_to_l)
        except ChemistryRefused as refused:
            self.fault(f"{base}.salts", str(refused))
            return None
        if f"{base}.coldest" in self.values.said and f"{base}.coldest" not in self.values.by_path:
            return strength
        return strength if self._dissolves(base, portions, made_up_to_l) else None

    def _portion(self, path: str, name: str) -> SaltPortion | None:
        try:
            salt = salt_named(name).name
        except ChemistryRefused as refused:
            self.fault(path, str(refused))
            return None
        right, wrong = ("bicarbonate", "mass") if salt == BAKED_SODA else ("mass", "bicarbonate")
        if f"{path}.{wrong}" in self.values.said:
            self.fault(
                f"{path}.{wrong}",
                (
                    "baked soda is told by the bicarbonate that went into the oven: baking keeps its alkalinity. Write"
                    " bicarbonate: ..."
                    if right == "bicarbonate"
                    else f"only baked soda is told by its bicarbonate. Write mass: ... for {salt}."
                ),
            )
            return None
        if f"{path}.{right}" not in self.values.said and path in self.values.said:
            self.fault(f"{path}.{right}", f"missing. Write what was weighed in, as {right}: 190 g")
        assays = [key for key in ("assay", "purity") if f"{path}.{key}" in self.values.said]
        if len(assays) == 2:
            self.fault(f"{path}.purity", "the same as assay, which is said too. Keep one of them.")
            return None
        mass_g = self.values.get(f"{path}.{right}", float)
        assay = self.values.get(f"{path}.{assays[0]}", float) if assays else None
        if mass_g is None or (assays and assay is None):
            return None
        return SaltPortion(salt, mass_g, assay)

    def _dissolves(self, base: str, portions: Iterable[SaltPortion], made_up_to_l: float) -> bool:
        said = self.values.get(f"{base}.coldest", float)
        coldest_c = COLDEST_C if said is None else said
        try:
            full = saturation(portions, made_up_to_l, coldest_c)
        except ChemistryRefused as refused:
            self.fault(f"{base}.salts", str(refused))
            return False
        if not full.dissolves:
            needs_l = math.ceil(made_up_to_l * full.fraction / 0.95 * 10) / 10
            self.fault(
                f"{base}.salts",
                f"{full.limiting} will not stay dissolved at {plain(coldest_c)}"
                f" degC{'' if said is not None else ' (coldest is not said)'}: {full.fraction * 100:.0f} % of"
                f" saturation. Make it up to {plain(needs_l)} L or more, or keep it warmer and say coldest.",
            )
        return full.dissolves

    def _from_words(self, base: str, how: str, word: str | None) -> Strength | None:
        if how == "strength" and f"{base}.strength.label" not in self.values.said:
            parts = {
                substance: self.values.get(f"{base}.strength.{substance}", float)
                for substance in _KIND
                if f"{base}.strength.{substance}" in self.values.said
            }
            if not parts and f"{base}.strength" in self.values.groups:
                self.fault(
                    f"{base}.strength",
                    f"nothing in it. Write what a litre gives, as strength: {{{word or 'alkalinity'}: ...}}",
                )
            if not parts or None in parts.values():
                return None
            milli = [parts.get(substance) or 0.0 for substance in _KIND]
            return Strength(*(each / 1000 for each in milli))
        base = f"{base}.label" if how == "label" else f"{base}.strength.label"
        adds, per_ul, to_l = (
            self.values.get(f"{base}.adds", str),
            self.values.get(f"{base}.per", int),
            self.values.get(f"{base}.to", float),
        )
        if word is None or adds is None:
            return None
        if word == "other":
            self.fault(
                base, "a label tells the strength of a stock that gives alkalinity, calcium or magnesium, not other."
            )
            return None
        substance = Substance(word)
        change = self._change(f"{base}.adds", adds, substance, "")
        if change is None or per_ul is None or to_l is None:
            return None
        try:
            strength = strength_from_label(substance, change, per_ul / 1000, to_l)
        except ChemistryRefused as refused:
            self.fault(f"{base}.adds", str(refused))
            return None
        span = PLAUSIBLE[f"stocks.*.strength.{substance}"]
        if not span.holds(strength.of(substance) * 1000):
            self.fault(
                f"{base}.adds",
                f"the strength that follows from the label is not plausible. It may be from {span.least} to"
                f" {span.most}.",
            )
            return None
        return strength

    # -- changes --------------------------------------------------------------------------------------------------

    def _quantity(self, path: str, text: str, kinds: tuple[Kind, ...]) -> units.Quantity | None:
        salinity = self.values.get("tank.salinity", float)
        temperature_c = self.values.get("tank.temperature", float)
        try:
            return units.quantity(
                text,
                *kinds,
                density_kg_per_l=density_kg_per_l(
                    SALINITY if salinity is None else salinity,
                    TEMPERATURE_C if temperature_c is None else temperature_c,
                ),
            )
        except UnitRefused as refused:
            self.fault(path, str(refused))
            return None

    def _plausible(self, path: str, text: str, value: float, key: str) -> float | None:
        span = PLAUSIBLE.get(key)
        if span is not None and not span.holds(value):
            self.fault(path, f"{text} is not plausible. It may be from {span.least} to {span.most}.")
            return None
        return value

    def _change(self, path: str, text: str, substance: Substance, setting: str) -> float | None:
        """A change of the tank in mmol/L (meq/L)."""
        found = self._quantity(path, text, (_KIND[substance],))
        if found is None:
            return None
        return self._plausible(path, text, float(found.value), f"channels.*.{setting} as {substance}")

    # -- channels -------------------------------------------------------------------------------------------------

    def _channel(self, channel: str) -> None:
        base = f"channels.{channel}"
        stock = self.values.get(f"{base}.stock", str)
        stocks = self.values.ids("stocks")
        if stock is not None and stock not in stocks:
            near = did_you_mean(stock, stocks) or f" There are {', '.join(stocks) or 'none'}."
            self.fault(f"{base}.stock", f'no stock is called "{stock}".{near}')
        gives = self.gives(channel)
        self._rise(base, channel, gives)
        if f"{base}.daily.follows" in self.values.said or f"{base}.daily.per_dkh" in self.values.said:
            self._follows(base, channel, gives)
        else:
            self._daily(base, channel, gives)

    def _rise(self, base: str, channel: str, gives: Substance | None) -> None:
        path = f"{base}.limits.rise"
        text = self.values.get(path, str)
        if path not in self.values.said:
            if f"{base}.limits" in self.values.groups and gives is not None and gives is not Substance.OTHER:
                such_as = "2.0 dKH" if gives is Substance.ALKALINITY else "15 mg/L"
                self.fault(
                    path, f"missing. Write the most that the tank's {gives} may change by in 24 h, as rise: {such_as}"
                )
            return
        if text is None:
            return
        if gives is Substance.OTHER:
            self.fault(
                path,
                "the stock gives other, which has no strength to reckon a change with. Take it out; dose and day"
                " limit it.",
            )
        elif gives is None:
            self._quantity(path, text, tuple(_KIND.values()))
        else:
            change = self._change(path, text, gives, "limits.rise")
            water_l = self.values.get("tank.water", float)
            if change is not None and water_l is not None:
                self.rises_umol[channel] = change * water_l * 1000

    def _daily(self, base: str, channel: str, gives: Substance | None) -> None:
        path = f"{base}.daily"
        text = self.values.get(path, str)
        if text is None:
            return
        kinds = tuple(_KIND.values()) if gives in (None, Substance.OTHER) else (_KIND[gives],) if gives else ()
        found = self._quantity(path, text, (Kind.VOLUME, *kinds))
        if found is None:
            return
        if found.kind is Kind.VOLUME:
            volume = self._plausible(path, text, float(found.value), "channels.*.daily as a volume")
            if volume is not None:
                self.daily[channel] = DailyVolume(int(found.value))
        elif gives is Substance.OTHER:
            self.fault(path, f"{text} a day cannot be reckoned: the stock gives other. Write a volume, as daily: 10 mL")
        elif gives is not None:
            change = self._plausible(path, text, float(found.value), f"channels.*.daily as {gives}")
            water_l = self.values.get("tank.water", float)
            if change is not None and water_l is not None:
                self.daily[channel] = DailyChange(change * water_l * 1000)

    def _follows(self, base: str, channel: str, gives: Substance | None) -> None:
        path = f"{base}.daily"
        leader = self.values.get(f"{path}.follows", str)
        text = self.values.get(f"{path}.per_dkh", str)
        per: float | None = None
        if text is not None:
            if gives is Substance.OTHER:
                self.fault(
                    f"{path}.per_dkh",
                    "the stock gives other, which has no strength to reckon with. Plan it by a volume.",
                )
                return
            if gives is None:
                self._quantity(f"{path}.per_dkh", text, tuple(_KIND.values()))
                return
            change = self._change(f"{path}.per_dkh", text, gives, "daily.per_dkh")
            if change is None:
                return
            per = change / units.meq_per_l_from_dkh(1.0) * 1000
        elif f"{path}.per_dkh" in self.values.said:
            return
        if leader is not None:
            self.daily[channel] = Follows(leader, per)
