"""What a plan's figures come to, and the rules between them: doses, limits, changes of the tank, reservoirs.

The limits of R2 and R7 appear here as arithmetic on the plan: a dose that no allowance could ever hold is a fault now,
not a refusal later. A rule speaks only when all the settings it needs were read.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from attrs import define

from dosingd import units
from dosingd.plan.defaults import RESERVE_PERCENT, SMALLEST_UL
from dosingd.plan.deriving import Deriving
from dosingd.plan.model import DailyChange, DailyVolume, Follows
from dosingd.plan.structure import Values
from dosingd.records import Substance
from dosingd.words import plain

#: From a reservation to the pump's latest end 540 s may pass (R2): 10 s to commit it, 0.5 s the lease's margin.
LONGEST_RUN_S = 529.5
#: The share of a limit that a day of 24 h earns: 3/4 in 87,000 s (R2).
EARNED_IN_A_DAY = 0.75 * 86_400 / 87_000
#: The share of a limit that cures name: below what is earned, so that a day of 23 hours fits too.
CURE = 0.735
#: A limit's depth: a single dose can never take more than this share of it (R2).
DEPTH = 0.25


def shown_ml(volume_ul: float, up: bool | None = None) -> str:
    """A volume in mL, or in L from one on, with three digits: rounded up, down, or (None) to nearest."""
    if volume_ul >= 1_000_000:
        return f"{plain(_three(volume_ul / 1_000_000, up))} L"
    return f"{plain(_three(volume_ul / 1000, up))} mL"


def shown_change(mmol_per_l: float, substance: Substance, up: bool | None = None) -> str:
    """A change of the tank in dKH or mg/L with three digits."""
    value, unit = units.shown_change(mmol_per_l, substance)
    return f"{plain(_three(value, up))} {unit}"


def _three(value: float, up: bool | None) -> float:
    if value <= 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    steps = value / step
    whole = round(steps) if up is None else math.ceil(steps - 1e-9) if up else math.floor(steps + 1e-9)
    return float(plain(whole * step))


@define
class Amounts:
    """One pass over the figures of a plan. `fault(path, message)` reports."""

    values: Values
    derived: Deriving
    fault: Callable[[str, str], None]

    def all(self) -> None:
        """Every rule between figures."""
        for channel in self.values.ids("channels"):
            self._doses(channel)
            self._limits(channel)
            self._reservoir(channel)
        self._changes()

    def change_umol(self, channel: str) -> float | None:
        """The tank's planned change a day by a channel, in µmol (µeq) of what its stock gives."""
        daily, gives, strength = (
            self.derived.daily.get(channel),
            self.derived.gives(channel),
            self.derived.strength(channel),
        )
        match daily:
            case DailyChange():
                return daily.change_umol
            case DailyVolume() if strength is not None and gives is not None:
                return daily.volume_ul * strength.of(gives) or None
            case Follows() if not isinstance(self.derived.daily.get(daily.channel), Follows):
                leader, gives_leader = self.change_umol(daily.channel), self.derived.gives(daily.channel)
                if leader is None or gives is None or gives_leader is None:
                    return None
                if daily.per_meq_umol is not None:
                    return leader / 1000 * daily.per_meq_umol
                if gives is gives_leader:
                    return leader
                return leader / 2 if gives_leader is Substance.ALKALINITY else leader * 2
        return None

    def daily_ul(self, channel: str) -> float | None:
        """The planned volume a day in µL."""
        daily = self.derived.daily.get(channel)
        if isinstance(daily, DailyVolume):
            return float(daily.volume_ul)
        change, gives, strength = self.change_umol(channel), self.derived.gives(channel), self.derived.strength(channel)
        if change is None or gives is None or strength is None or strength.of(gives) <= 0:
            return None
        return change / strength.of(gives)

    def dose_ul(self, channel: str) -> float | None:
        """The planned volume of a dose in µL, on average over the day."""
        daily, doses = self.daily_ul(channel), self.values.get(f"channels.{channel}.doses", int)
        return None if daily is None or doses is None else daily / doses

    def _doses(self, channel: str) -> None:
        base = f"channels.{channel}"
        daily_ul, dose_ul = self.daily_ul(channel), self.dose_ul(channel)
        limit_ul = self.values.get(f"{base}.limits.dose", int)
        smallest_ul = self.values.get(f"{base}.pump.smallest", int)
        if limit_ul is not None and smallest_ul is not None and smallest_ul > limit_ul:
            self.fault(
                f"{base}.pump.smallest",
                f"{shown_ml(smallest_ul)} is above the dose limit, {shown_ml(limit_ul)}: nothing could be given.",
            )
            return
        if daily_ul is None or dose_ul is None:
            return
        doses = self.values.must(f"{base}.doses", int)
        if limit_ul is not None and dose_ul > limit_ul:
            self.fault(
                f"{base}.doses",
                f"{doses} doses of {shown_ml(dose_ul)} are each above the dose limit, {shown_ml(limit_ul)}. "
                f"Make it {math.ceil(daily_ul / limit_ul)} doses or more, or raise limits.dose.",
            )
        least_ul = SMALLEST_UL if smallest_ul is None else smallest_ul
        if dose_ul < least_ul:
            most = int(daily_ul // least_ul)
            self.fault(
                f"{base}.doses",
                f"{doses} doses of {shown_ml(dose_ul)} are each below the pump's smallest, {shown_ml(least_ul)}. "
                + (
                    f"Make it {most} dose{'s' if most > 1 else ''} or fewer."
                    if most
                    else f"{shown_ml(daily_ul)} a day is too little for this pump: take a weaker stock."
                ),
            )

    def _limits(self, channel: str) -> None:
        base = f"channels.{channel}.limits"
        dose_ul, day_ul = self.values.get(f"{base}.dose", int), self.values.get(f"{base}.day", int)
        flow, run_s = (
            self.values.get(f"channels.{channel}.pump.nominal_flow", float),
            self.values.get(f"{base}.run", float),
        )
        daily_ul = self.daily_ul(channel)
        planned = self.dose_ul(channel) or 0.0
        if dose_ul is not None and day_ul is not None and dose_ul > day_ul * DEPTH:
            self.fault(
                f"{base}.dose",
                f"{shown_ml(dose_ul)} is above a quarter of the day limit, {shown_ml(day_ul)}: it could never be given."
                f" Lower it to {shown_ml(day_ul * DEPTH, up=False)} or less, or raise limits.day to"
                f" {shown_ml(dose_ul / DEPTH, up=True)} or more.",
            )
        if dose_ul is not None and flow is not None and dose_ul / flow > LONGEST_RUN_S:
            self.fault(
                f"{base}.dose",
                f"{shown_ml(dose_ul)} takes {dose_ul / flow:.0f} s at the nominal flow; a run may last"
                f" {plain(LONGEST_RUN_S)} s. Lower it to {shown_ml(flow * LONGEST_RUN_S, up=False)} or less.",
            )
        if daily_ul is not None and day_ul is not None and daily_ul > day_ul * EARNED_IN_A_DAY:
            needs = max(daily_ul / CURE, planned / DEPTH, (dose_ul or 0) / DEPTH)
            self.fault(
                f"channels.{channel}.daily",
                f"{shown_ml(daily_ul)} a day is above three quarters of the day limit, {shown_ml(day_ul)}. Raise"
                f" limits.day to {shown_ml(needs, up=True)} or more, or lower daily to"
                f" {shown_ml(day_ul * CURE, up=False)}.",
            )
        if run_s is None or flow is None:
            return
        if daily_ul is not None and daily_ul / flow > run_s * EARNED_IN_A_DAY:
            self.fault(
                f"{base}.run",
                f"{shown_ml(daily_ul)} a day keeps the motor on for {daily_ul / flow:.0f} s, above three quarters of"
                f" the run limit, {plain(run_s)} s. Raise it to {math.ceil(daily_ul / flow / CURE)} s or more, or"
                " leave it out.",
            )
        elif dose_ul is not None and dose_ul / flow > run_s * DEPTH:
            self.fault(
                f"{base}.run",
                f"a dose of {shown_ml(dose_ul)} runs {dose_ul / flow:.1f} s, above a quarter of the run limit,"
                f" {plain(run_s)} s: it could never be given. Raise it to {math.ceil(dose_ul / flow / DEPTH)} s or"
                " more, or lower limits.dose.",
            )

    def _changes(self) -> None:
        water_l = self.values.get("tank.water", float)
        channels = self.values.ids("channels")
        if water_l is None or any(
            self.daily_ul(channel) is None and self.derived.strength(channel) for channel in channels
        ):
            return
        for channel in channels:
            rise, gives, strength = (
                self.derived.rises_umol.get(channel),
                self.derived.gives(channel),
                self.derived.strength(channel),
            )
            dose_ul = self.dose_ul(channel)
            if rise is None or gives is None or strength is None or dose_ul is None:
                continue
            path = f"channels.{channel}.limits.rise"
            limit = shown_change(rise / 1000 / water_l, gives)
            a_dose = dose_ul * strength.of(gives)
            a_day = sum(
                (self.daily_ul(other) or 0.0) * there.of(gives)
                for other in channels
                if (there := self.derived.strength(other)) is not None
            )
            if a_day > rise * EARNED_IN_A_DAY:
                self.fault(
                    path,
                    f"the plan changes the tank's {gives} by {shown_change(a_day / 1000 / water_l, gives)} a day, above"
                    f" three quarters of this limit, {limit}. Raise it to"
                    f" {shown_change(a_day / 1000 / water_l / CURE, gives, up=True)} or more, or lower daily.",
                )
            elif a_dose > rise * DEPTH:
                self.fault(
                    path,
                    f"one dose changes the tank's {gives} by {shown_change(a_dose / 1000 / water_l, gives)}, above a"
                    f" quarter of this limit, {limit}: it could never be given. Raise it to"
                    f" {shown_change(a_dose / 1000 / water_l / DEPTH, gives, up=True)} or more, or plan more doses.",
                )

    def _reservoir(self, channel: str) -> None:
        base = f"channels.{channel}.reservoir"
        holds, reserve = self.values.get(f"{base}.holds", int), self.values.get(f"{base}.reserve", int)
        if holds is None or (reserve is None and f"{base}.reserve" in self.values.said):
            return
        if reserve is not None and reserve >= holds:
            self.fault(
                f"{base}.reserve",
                f"{shown_ml(reserve)} is all that the reservoir holds, {shown_ml(holds)}: nothing could be given.",
            )
            return
        left, dose_ul = holds - (holds * RESERVE_PERCENT // 100 if reserve is None else reserve), self.dose_ul(channel)
        if dose_ul is not None and dose_ul > left:
            self.fault(
                f"{base}.holds",
                f"a dose of {shown_ml(dose_ul)} is more than the {shown_ml(left)} above the reserve. Take a larger"
                " reservoir or more doses.",
            )
        line = self.values.get(f"channels.{channel}.line", int)
        if line is not None and line >= holds:
            self.fault(
                f"channels.{channel}.line",
                f"a line of {shown_ml(line)} holds as much as the reservoir, {shown_ml(holds)}. Mend one of them.",
            )
