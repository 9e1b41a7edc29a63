"""What the switches have to warn of, by themselves and against the reservoirs' books.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from dosingd.alarms import Alarm, Kind, leak_alarm
from dosingd.books import Books
from dosingd.inputs.judging import WORDS, Judgement, Use
from dosingd.leases import LEAK_SENSOR
from dosingd.plan.model import Plan
from dosingd.records import Reading
from dosingd.stores import at_reserve, is_low, uncertainty_ul
from dosingd.words import ml

#: A float and the books may differ for so long: while a reservoir is poured full and the refill is typed in.
DISAGREE_AFTER_S = 600.0
#: A switch that said nothing else for so long may be stuck. Common practice, no source: four times a year, as a
#: calibration. A float is not counted: the books tell when it should have moved.
UNTRIED_AFTER_DAYS = 90
_DAY_MS = 24 * 3600 * 1000


def input_alarms(plan: Plan, books: Books, reading: Reading, judgements: Mapping[str, Judgement]) -> tuple[Alarm, ...]:
    """Every alarm about a switch of the plan. A hold that one asked for is the latch's alarm."""
    known = [one for one in judgements.values() if one.known]
    found = [*_circulation(known, reading), *_leak(known, reading)]
    found += [*_broken(known, reading), *_untried(known, books, reading)]
    for one in known:
        channel = one.sensor.channel
        if channel is not None and channel in plan.channels:
            found += _float(plan, books, reading, one, channel)
    return tuple(found)


def _since(reading: Reading, judgement: Judgement) -> datetime:
    return reading.wall_at - timedelta(seconds=max(0.0, reading.mono_s - judgement.since_mono_s))


def _circulation(known: Iterable[Judgement], reading: Reading) -> list[Alarm]:
    return [
        Alarm(
            Kind.NO_CIRCULATION,
            None,
            _since(reading, one),
            f"The circulation input (GPIO {one.sensor.gpio}) says: {one.says}. Nothing goes into still water: doses"
            " that come due meanwhile are missed, and not made up for.",
            "see to the tank's pump, then: dosingd status",
        )
        for one in known
        if one.sensor.use is Use.CIRCULATION and one.unsafe
    ]


def _leak(known: Iterable[Judgement], reading: Reading) -> list[Alarm]:
    return [
        leak_alarm(f"{LEAK_SENSOR} (GPIO {one.sensor.gpio}) is {one.says}", _since(reading, one))
        for one in known
        if one.sensor.use is Use.LEAK and one.unsafe
    ]


def _broken(known: Iterable[Judgement], reading: Reading) -> list[Alarm]:
    """One alarm a kind and channel, whatever the number of switches."""
    found: dict[tuple[Kind, str | None], list[Judgement]] = {}
    for one in known:
        if not one.readable or one.chattering:
            kind = Kind.INPUT_CHATTERS if one.readable else Kind.INPUT_UNREADABLE
            found.setdefault((kind, one.sensor.channel), []).append(one)
    return [
        Alarm(
            kind,
            channel,
            min(_since(reading, one) for one in these),
            " ".join(f"Input {one.sensor.name} (GPIO {one.sensor.gpio}): {one.says}." for one in these)
            + ("" if channel is None else " Doses go on by the books.")
            + (" Its contact is worn, wet or loose." if kind is Kind.INPUT_CHATTERS else ""),
            "see to the switch and its wires, then: dosingd status",
        )
        for (kind, channel), these in found.items()
    ]


def _untried(known: Iterable[Judgement], books: Books, reading: Reading) -> list[Alarm]:
    old = []
    for one in known:
        seen = books.switches.get(one.sensor.name)
        if one.sensor.use is Use.FLOAT or seen is None or one.chattering or not one.readable:
            continue
        if books.proven_ms(reading) - seen.proven_ms >= UNTRIED_AFTER_DAYS * _DAY_MS:
            old.append((one, seen))
    if not old:
        return []
    listed = ", ".join(f"{one.sensor.name} ({seen.says} since {seen.at:%Y-%m-%d})" for one, seen in old)
    return [
        Alarm(
            Kind.INPUT_UNTRIED,
            None,
            min(seen.at for _, seen in old),
            f"Nothing else was seen of {listed}. A switch that never changes may be stuck: try it, and see that it"
            " answers. A leak sensor that is wetted holds the rig.",
            "dosingd status, then: dosingd release",
        )
    ]


def _float(plan: Plan, books: Books, reading: Reading, one: Judgement, channel: str) -> list[Alarm]:
    found = []
    if one.chattering or not one.readable:
        return []  # it says nothing of the level
    if one.unsafe:
        text = f"{channel}: its float (GPIO {one.sensor.gpio}) is {one.says}. Doses go on by the books."
        found.append(Alarm(Kind.FLOAT_LOW, channel, _since(reading, one), text, _measure(channel)))
    contents, filling = books.contents.get(channel), books.fillings.get(channel)
    if contents is None or filling is None:
        return found
    filled_s = (books.proven_ms(reading) - filling.proven_ms) / 1000
    if min(reading.mono_s - one.since_mono_s, filled_s) < DISAGREE_AFTER_S:
        return found
    open_ul = uncertainty_ul(plan, books, channel)
    books_say = f"{ml(contents.left_ul)}{f' (± {ml(open_ul)})' if open_ul else ''} by the books"
    if one.unsafe and not is_low(plan, books, channel):
        text = (
            f"{channel}: its float says {WORDS[Use.FLOAT][0]}, and there should be {books_say}. A siphon or a leak, a"
            " pump that gives more than is booked, or a float that sticks: look at the reservoir, and measure it."
        )
    elif not one.unsafe and at_reserve(plan, books, channel):
        text = (
            f"{channel}: its float says {WORDS[Use.FLOAT][1]}, and there are only {books_say}, its reserve. A float"
            " that sticks, a pump that gives less than is booked, or water of the tank that came back: look at the"
            " reservoir, and measure it."
        )
    else:
        return found
    return [*found, Alarm(Kind.INPUT_DISAGREES, channel, _since(reading, one), text, _measure(channel))]


def _measure(channel: str) -> str:
    return f"dosingd refill {channel} --to VOLUME --found VOLUME"
