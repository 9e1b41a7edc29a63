"""Plans with something wrong at random: refused in words, or safe.

Each mutation changes the base plan as a keeper's slip or a torn file would: characters, lines, numbers, units, names.
Whatever is read and passes the check lays days that pass no limit; the limits are added up here, from the plan's own
text, in plain floats.
"""

from __future__ import annotations

import random
import re
from zoneinfo import ZoneInfo

import pytest

from dosingd.checking import days_worth_laying, look
from dosingd.checking.days import nominal_flows, volumes_ul
from dosingd.daily import plan_strengths
from dosingd.errors import PlanRefused
from dosingd.plan import Marks, Plan, read_plan
from dosingd.timetable import lay_day
from tests.plan.edits import BASE

UNITS = [
    "mL",
    "L",
    "uL",
    "g",
    "kg",
    "mg",
    "dKH",
    "meq/L",
    "eq/L",
    "mg/L",
    "g/L",
    "%",
    "min",
    "s",
    "h",
    "days",
    "mL/min",
    "L/h",
    "",
]
ODD = [
    "~",
    "",
    "true",
    "no",
    "1:30",
    "1_0",
    ".inf",
    ".nan",
    "-1",
    "0",
    "1e9",
    "[]",
    "{}",
    "&a",
    "*a",
    "!!int 3",
    "'",
    '"',
    "\t",
]
CHARACTERS = "0123456789.,:{}[]-_#&*!|>'\"%@` \t\n\u00a0\u2028\ufeffµé"


def _other_number(chance: random.Random, text: str) -> str:
    numbers = list(re.finditer(r"\d+(\.\d+)?", text))
    if not numbers:
        return text
    found = chance.choice(numbers)
    value = float(found[0]) * chance.choice([0, 0.001, 0.01, 0.1, 0.3, 0.5, 0.8, 0.9, 1.1, 1.3, 2, 3, 10, 100, 1000])
    return f"{text[: found.start()]}{value:.10g}{text[found.end() :]}"


def _other_unit(chance: random.Random, text: str) -> str:
    return re.sub(r"(?<=\d )[A-Za-z%/]+", lambda _: chance.choice(UNITS), text, count=1)


def _other_value(chance: random.Random, text: str) -> str:
    key, colon, _ = text.partition(": ")
    return f"{key}{colon}{chance.choice(ODD)}" if colon else text


def _other_characters(chance: random.Random, text: str) -> str:
    place = chance.randrange(len(text) + 1)
    return text[:place] + chance.choice([chance.choice(CHARACTERS), ""]) + text[place + chance.randrange(2) :]


def mutated(chance: random.Random) -> bytes:
    """The base plan with one to three slips."""
    lines = list(BASE)
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        place = chance.randrange(len(lines))
        match chance.randrange(12):
            case 0:
                del lines[place]
            case 1:
                lines.insert(place, chance.choice(lines))
            case 2:
                other = chance.randrange(len(lines))
                lines[place], lines[other] = lines[other], lines[place]
            case 3:
                indent = chance.choice(["", " ", "  ", "   ", "      ", "\t"])
                lines[place] = indent + lines[place].lstrip()
            case 4 | 5 | 6 | 7:
                lines[place] = _other_number(chance, lines[place])
            case 8:
                lines[place] = _other_unit(chance, lines[place])
            case 9:
                lines[place] = _other_value(chance, lines[place])
            case _:
                lines[place] = _other_characters(chance, lines[place])
        lines = "\n".join(lines).split("\n")
    data = "\n".join(lines).encode("utf-8", "surrogatepass")
    match chance.randrange(25):
        case 0:
            return data[: chance.randrange(len(data))]
        case 1:
            place = chance.randrange(len(data))
            return data[:place] + bytes([chance.randrange(256)]) + data[place:]
        case _:
            return data


def _passes_no_limit(plan: Plan) -> None:
    zone, flows, strengths = ZoneInfo(plan.timezone), nominal_flows(plan), plan_strengths(plan)
    for days in days_worth_laying(plan.timezone):
        doses = [dose for day in days for dose in lay_day(plan, day, volumes_ul(plan, strengths, day), flows, zone)]
        for channel, item in plan.channels.items():
            own = [dose for dose in doses if dose.channel == channel]
            start = 0
            volume = motor = 0.0
            for dose in own:
                assert item.pump.smallest_ul <= dose.volume_ul <= item.limits.dose_ul
                volume, motor = volume + dose.volume_ul, motor + dose.run_s
                while (dose.due_at - own[start].due_at).total_seconds() >= 86_400:
                    volume, motor = volume - own[start].volume_ul, motor - own[start].run_s
                    start += 1
                assert volume <= item.limits.day_ul
                assert motor <= item.limits.run_s + 1e-6
                strength = strengths[channel]
                if strength is not None and item.limits.rise_umol is not None:
                    assert volume * strength.of(plan.stock_of(channel).gives) <= item.limits.rise_umol


def _read(text: bytes) -> tuple[Plan, Marks] | None:
    """The plan, or None when it was refused, in words and at a place. Any other error is the test's failure."""
    try:
        return read_plan(text, "plan.yaml")
    except PlanRefused as error:
        faults = error.faults
    lines = len(text.split(b"\n"))
    assert faults
    assert all(1 <= fault.line <= lines + 1 and fault.column >= 1 and fault.message for fault in faults)
    return None


def _try(seed: int, plans: int) -> None:
    chance = random.Random(seed)
    refused = unsafe = 0
    for _ in range(plans):
        text = mutated(chance)
        read = _read(text)
        if read is None:
            refused += 1
            continue
        plan, marks = read
        if look(plan, marks).faults:
            unsafe += 1
            continue
        _passes_no_limit(plan)
    accepted = plans - refused - unsafe
    print(f"{plans} mutated plans: {refused} refused on reading, {unsafe} by the check, {accepted} laid within limits")
    # The mutations must be neither hopeless nor harmless, or this test shows nothing.
    assert plans * 0.05 < accepted < plans * 0.7


def test_a_mutated_plan_is_refused_in_words_or_passes_no_limit() -> None:
    _try(seed=2024, plans=1_500)


@pytest.mark.campaign
def test_twenty_thousand_mutated_plans_are_refused_in_words_or_pass_no_limit() -> None:
    _try(seed=7, plans=20_000)


def test_random_text_is_refused_in_words() -> None:
    chance = random.Random(5)
    for _ in range(300):
        text = "".join(chance.choice(CHARACTERS + "abc") for _ in range(chance.randrange(80)))
        with pytest.raises(PlanRefused):
            read_plan(text.encode("utf-8", "surrogatepass"), "plan.yaml")
        with pytest.raises(PlanRefused):
            read_plan(chance.randbytes(chance.randrange(80)), "plan.yaml")
