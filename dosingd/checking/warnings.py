"""What a careful keeper would be told about a plan that is read and laid all the same.

Thresholds are common practice, no source, except where a comment says more.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations

from dosingd.checking.figures import figures
from dosingd.chemistry.salts import salt_named
from dosingd.chemistry.solubility import saturation
from dosingd.daily import daily_change_umol, gives, plan_strengths
from dosingd.errors import ChemistryRefused, Fault
from dosingd.plan import Marks, Plan
from dosingd.plan.amounts import shown_change, shown_ml
from dosingd.plan.model import SaltPortion
from dosingd.records import Substance
from dosingd.words import plain

Warn = Callable[[str, str], None]

#: Settings that are read and checked and that nothing acts on: the setting (`*` stands for a channel), and what that
#: means. A setting that is new to the plan stands here until something acts on it.
NOT_ACTED_ON_YET: tuple[tuple[str, str], ...] = ()

#: A change of the tank within minutes that animals are known to suffer from, by substance.
HARM = {Substance.ALKALINITY: 3.0, Substance.CALCIUM: 60.0, Substance.MAGNESIUM: 120.0}
#: Calcium chloride as flakes is the dihydrate with some water: 77 to 80 % of calcium chloride by mass.
FLAKES_BELOW = 0.80
#: How far calcium may be from 1 mol for 2 eq of alkalinity before it is asked about.
OUT_OF_BALANCE = 0.2
#: A limit that is so many times what the plan needs guards little.
LOOSE = 10
#: The gap that lets a tank's flow thin a dose before the other one comes.
LEAST_GAP_S = 600.0
#: A run shorter than this loses more than 2 % by the rounding of its time.
SHORTEST_MS = 50.0
#: BCM lines whose pull is up until something sets it (the board's peripherals manual): a pump on them may start alone.
PULLED_UP_BELOW = 9
SERIAL = (14, 15)


def warnings(plan: Plan, marks: Marks) -> tuple[Fault, ...]:
    """Every warning by its place in the plan."""
    found = list(not_acted_on(plan, marks))

    def warn(path: str, message: str) -> None:
        found.append(marks.fault(path, message))

    for each in (_stocks, _lines, _channels, _loose_rise, _balance, _gaps, _meeting, _short_runs, _unattended, _broker):
        each(plan, marks, warn)
    return tuple(sorted(found, key=lambda fault: (fault.line, fault.column, fault.path, fault.message)))


def not_acted_on(plan: Plan, marks: Marks) -> tuple[Fault, ...]:
    """The settings of this plan that nothing acts on yet: warned of, and a reason not to run the plan."""
    return tuple(
        marks.fault(path, f"not acted on yet: {means}.")
        for setting, means in NOT_ACTED_ON_YET
        for path in ([setting.replace("*", channel) for channel in plan.channels] if "*" in setting else [setting])
        if path in marks.positions
    )


def _salts(plan: Plan, marks: Marks, stock: str) -> Iterator[tuple[str, SaltPortion]]:
    """The salts of a stock with their paths, under the names that the keeper wrote."""
    base = f"stocks.{stock}.salts."
    written = [path for path in marks.positions if path.startswith(base) and "." not in path[len(base) :]]
    yield from zip(written, plan.stocks[stock].salts, strict=True)


def _stocks(plan: Plan, marks: Marks, warn: Warn) -> None:
    for stock, item in plan.stocks.items():
        for path, portion in _salts(plan, marks, stock):
            salt = salt_named(portion.salt)
            if portion.assay is None:
                warn(path, "the assay is not said, so 100 % is taken: weaker salt makes a weaker stock. See its label.")
            elif salt.dissolved == "CaCl2" and portion.assay < FLAKES_BELOW:
                warn(
                    path,
                    f"an assay of {plain(portion.assay * 100)} % is low for {salt.name}. Is it sold as flakes? Then the"
                    " label may give the share of calcium chloride anhydrous: write that name and that share.",
                )
        if item.salts and item.made_up_to_l:
            try:
                full = saturation(item.salts, item.made_up_to_l, item.coldest_c)
            except ChemistryRefused:  # reading has refused it already
                continue
            if full.near:
                caution = f" {full.caution}" if full.caution else ""
                warn(
                    f"stocks.{stock}.salts",
                    f"{full.fraction * 100:.0f} % of what dissolves at {plain(item.coldest_c)} degC"
                    f" ({full.limiting}): a colder night leaves crystals in the line. Make the stock weaker, or keep"
                    f" it warmer.{caution}",
                )


def _lines(plan: Plan, marks: Marks, warn: Warn) -> None:
    for channel, item in plan.channels.items():
        path, line = f"channels.{channel}.pump.gpio", item.pump.gpio
        if line < PULLED_UP_BELOW:
            warn(
                path,
                f"GPIO {line} is pulled up while the board starts, so the pump may run until the daemon is there."
                f" Take a line from {PULLED_UP_BELOW} to 27.",
            )
        if line in SERIAL:
            warn(path, f"GPIO {line} belongs to the serial console, which may switch the pump. Take another line.")


def _channels(plan: Plan, marks: Marks, warn: Warn) -> None:
    for channel, shown in figures(plan).items():
        item, base = plan.channels[channel], f"channels.{channel}"
        substance = gives(plan, channel)
        if shown.reservoir_change is not None and shown.reservoir_change[0] > HARM[substance]:
            (value, unit), stuck_on = shown.reservoir_change, shown.per_minute_stuck_on or 0.0
            warn(
                f"{base}.reservoir.holds",
                f"all of the {shown_ml(item.reservoir.holds_ul)} at once would add {plain(value, 3)} {unit} to the"
                f" tank, more than it can bear, and a pump stuck on adds {plain(stuck_on, 2)} {unit}"
                " a minute. Take a smaller reservoir or a slower pump, and a cut-off that does without this machine.",
            )
        if shown.full_days is not None and shown.full_days < item.reservoir.warn_days:
            warn(
                f"{base}.reservoir.warn",
                f"a full reservoir lasts {plain(shown.full_days, 2)} days, so it is called low from the start. Lower"
                " warn, or take a larger reservoir.",
            )
        if shown.daily_ml > 0 and shown.day_limit_ml > LOOSE * max(
            shown.daily_ml, 4 * shown.daily_ml / item.doses, item.pump.nominal_ul_per_s / 1000
        ):
            warn(
                f"{base}.limits.day",
                f"{shown_ml(item.limits.day_ul)} is {shown.day_limit_ml / shown.daily_ml:.0f} times what the plan gives"
                f" a day, {shown_ml(shown.daily_ml * 1000)}: it guards little. Lower it.",
            )


def _loose_rise(plan: Plan, marks: Marks, warn: Warn) -> None:
    strengths = plan_strengths(plan)
    for channel, item in plan.channels.items():
        change, rise = daily_change_umol(plan, channel, strengths), item.limits.rise_umol
        if change is not None and rise is not None and rise > LOOSE * max(change, 4 * change / item.doses):
            limit, planned = (
                shown_change(each / 1000 / plan.tank.water_l, gives(plan, channel)) for each in (rise, change)
            )
            warn(
                f"channels.{channel}.limits.rise",
                f"{limit} is {rise / change:.0f} times what the plan changes a day, {planned}: it guards little."
                " Lower it.",
            )


def _balance(plan: Plan, marks: Marks, warn: Warn) -> None:
    strengths = plan_strengths(plan)
    total = {Substance.ALKALINITY: 0.0, Substance.CALCIUM: 0.0}
    last: str | None = None
    for channel in plan.channels:
        substance, change = gives(plan, channel), daily_change_umol(plan, channel, strengths)
        if substance in total and change is not None:
            total[substance] += change
            last = channel if substance is Substance.CALCIUM else last
    if last is None or total[Substance.ALKALINITY] <= 0:
        return
    share = 2 * total[Substance.CALCIUM] / total[Substance.ALKALINITY]
    if abs(share - 1) > OUT_OF_BALANCE:
        warn(
            f"channels.{last}.daily",
            f"calcium is {share * 100:.0f} % of what goes with the alkalinity (1 mol for 2 eq), so one of the two will"
            " drift. Is it meant? Otherwise write {follows: ...}.",
        )


def _gaps(plan: Plan, marks: Marks, warn: Warn) -> None:
    for index, rule in enumerate(plan.apart):
        gives_both = {gives(plan, channel) for channel in rule.between}
        if {Substance.ALKALINITY, Substance.CALCIUM} <= gives_both and rule.gap_s < LEAST_GAP_S:
            warn(
                f"apart[{index}].gap",
                f"{plain(rule.gap_s)} s is short between alkalinity and calcium: where they meet before they are"
                f" thinned, they come out as a solid. {plain(LEAST_GAP_S / 60)} min or more are usual.",
            )


def _meeting(plan: Plan, marks: Marks, warn: Warn) -> None:
    """Stocks that hold both, such as calcium hydroxide, need a gap as well, whatever they are there for."""
    for one, other in combinations(plan.channels, 2):
        both = {gives(plan, one), gives(plan, other)}
        if plan.gap_s(one, other) > 0 or both == {Substance.ALKALINITY, Substance.CALCIUM}:
            continue
        for first, second in ((one, other), (other, one)):
            alkaline, calcic = plan.stock_of(first).strength, plan.stock_of(second).strength
            if (
                plan.channels[one].stock != plan.channels[other].stock
                and alkaline is not None
                and calcic is not None
                and alkaline.alkalinity_eq_per_l > 0
                and calcic.calcium_mol_per_l > 0
            ):
                warn(
                    f"channels.{second}.stock",
                    f"{plan.channels[second].stock} holds calcium and {plan.channels[first].stock} alkalinity, and"
                    f" nothing keeps {first} and {second} apart. Write - {{between: [{first}, {second}], gap: 20 min}}"
                    " under apart.",
                )
                break


def _short_runs(plan: Plan, marks: Marks, warn: Warn) -> None:
    for channel, shown in figures(plan).items():
        item = plan.channels[channel]
        run_ms = shown.daily_ml / item.doses * 1_000_000 / item.pump.nominal_ul_per_s
        if 0 < run_ms < SHORTEST_MS:
            warn(
                f"channels.{channel}.doses",
                f"a dose runs only {plain(run_ms, 3)} ms, and runs are timed to a whole millisecond, rounded down:"
                f" the tank gets up to {min(100.0, 100 / run_ms):.0f} % less than is booked. Fewer doses or a slower"
                " pump.",
            )


def _unattended(plan: Plan, marks: Marks, warn: Warn) -> None:
    if plan.keep_alive_gpio is None:
        warn(
            "keep_alive",
            "no keep_alive: nothing outside this machine would stop a pump that stays on. A rig that runs unattended"
            " needs an external cut-off.",
        )


def _broker(plan: Plan, marks: Marks, warn: Warn) -> None:
    broker = plan.mqtt
    if broker is None:
        return
    if broker.username is not None and not broker.tls:
        warn("mqtt.username", "without tls the password crosses the network as it is. Write tls: true.")
    if broker.tls and broker.port == 1883:
        warn("mqtt.port", "1883 is the port without tls, and tls is on. The usual port with it is 8883.")
    if not broker.tls and broker.port == 8883:
        warn("mqtt.port", "8883 is the port with tls, and tls is not on. Write tls: true, or port: 1883.")
