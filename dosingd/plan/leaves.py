"""Single values of a plan: the text that the keeper wrote to a value in inside units, strictly.

Nothing is guessed: a number is digits, `true` and `false` are the only booleans, a time of day stands in quotes, and
every quantity carries its unit. What YAML would read as something else than it looks like is refused by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import time
from difflib import get_close_matches
from zoneinfo import ZoneInfo, available_timezones

from dosingd import units
from dosingd.errors import UnitRefused
from dosingd.plan.nodes import Scalar


class LeafRefused(Exception):
    """This value does not belong here; the message says what would be right."""


Leaf = Callable[[Scalar], object]

ID = re.compile(r"[a-z][a-z0-9-]{0,31}")
#: What YAML takes for a boolean or for nothing, however it is meant.
_BOOLEANS = {"y", "n", "yes", "no", "on", "off", "true", "false"}
_NOTHING = {"", "~", "null"}
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]{0,251}[A-Za-z0-9])?|[0-9A-Fa-f:]{2,39}")
_TIME = re.compile(r"([01][0-9]|2[0-4]):([0-5][0-9])")
#: GPIO lines on the 40-pin header that can switch a pump or read a switch (BCM numbers; 0 and 1 are the board's own).
FIRST_GPIO, LAST_GPIO = 2, 27
#: Files in the zone database that are not zones.
_NOT_ZONES = {"localtime", "posixrules", "Factory", "leapseconds", "tzdata.zi", "zone.tab", "zone1970.tab"}


def did_you_mean(wrong: str, known: Iterable[str]) -> str:
    """A sentence ` Did you mean "doses"?` for a near miss, else nothing."""
    choices = list(known)
    near = get_close_matches(wrong, choices, 1, 0.6) or get_close_matches(wrong.lower(), choices, 1, 0.6)
    return f' Did you mean "{near[0]}"?' if near else ""


def nothing(scalar: Scalar) -> bool:
    """Whether YAML reads the value as nothing."""
    return not scalar.quoted and scalar.text.lower() in _NOTHING


def _plain_text(scalar: Scalar) -> str:
    text = scalar.text
    if scalar.quoted:
        return text
    if text.lower() in _BOOLEANS:
        raise LeafRefused(f'YAML reads {text} as true or false. For a text, put it in quotes: "{text}".')
    if re.fullmatch(r"[-+.]?[0-9][0-9_.:eE+-]*", text):
        raise LeafRefused(f'YAML reads {text} as a number. For a text, put it in quotes: "{text}".')
    return text


def identifier(scalar: Scalar) -> str:
    """A name: a small letter, then up to 31 small letters, digits and hyphens."""
    text = _plain_text(scalar)
    if not ID.fullmatch(text):
        raise LeafRefused(f'"{text}" is not a name: a small letter, then up to 31 small letters, digits or hyphens.')
    return text


def time_zone(scalar: Scalar) -> str:
    """The name of a zone of the time zone database."""
    text = _plain_text(scalar)
    try:
        if text in _NOT_ZONES or not re.fullmatch(r"[A-Za-z0-9_+/-]{1,64}", text):
            raise ValueError
        ZoneInfo(text)
    except (ValueError, KeyError, OSError):
        near = did_you_mean(text, available_timezones())
        raise LeafRefused(
            f'"{text}" is not in the time zone database.{near or " Write a region and a city, as Europe/Lisbon."}'
        ) from None
    return text


def boolean(scalar: Scalar) -> bool:
    """`true` or `false`, and nothing else that YAML would take for them."""
    if not scalar.quoted and scalar.text in ("true", "false"):
        return scalar.text == "true"
    raise LeafRefused(f"{_shown(scalar)} is neither true nor false.")


def choice(*words: str) -> Leaf:
    """One of these words."""

    def read(scalar: Scalar) -> str:
        if scalar.text in words:
            return scalar.text
        cure = did_you_mean(scalar.text, words) or f" It is {' or '.join(words)}."
        raise LeafRefused(f"{_shown(scalar)} is not a choice here.{cure}")

    return read


def whole_number(scalar: Scalar) -> int:
    """Digits only: no sign, point, exponent, underscore, leading zero, other base, quotes."""
    if not scalar.quoted and re.fullmatch(r"0|[1-9][0-9]{0,8}", scalar.text):
        return int(scalar.text)
    why = ""
    if scalar.quoted and scalar.text.isdigit():
        why = " Take the quotes off."
    elif re.fullmatch(r"[0-9]+(:[0-9]+)+", scalar.text):
        why = " YAML reads it in sixties."
    elif re.fullmatch(r"0[0-9]+", scalar.text):
        why = " YAML reads a leading zero as base eight."
    elif "," in scalar.text:
        why = " A comma does not belong in it."
    raise LeafRefused(f"{_shown(scalar)} is not a whole number, such as 24.{why}")


def gpio(scalar: Scalar) -> int:
    """A GPIO line by its BCM number, 2 to 27."""
    number = whole_number(scalar)
    if not FIRST_GPIO <= number <= LAST_GPIO:
        raise LeafRefused(
            f"GPIO {number} is not for this. Lines {FIRST_GPIO} to {LAST_GPIO} are, by their BCM numbers."
        )
    return number


def local_time(last: bool) -> Leaf:
    """A time of day "HH:MM" in quotes; with `last`, 24:00 is allowed and kept as 00:00."""

    def read(scalar: Scalar) -> time:
        if not scalar.quoted and ":" in scalar.text:
            raise LeafRefused(f'YAML may read {scalar.text} as a number in sixties. Put it in quotes: "{scalar.text}".')
        found = _TIME.fullmatch(scalar.text)
        if not found or (found[1] == "24" and (found[2] != "00" or not last)):
            raise LeafRefused(f'{_shown(scalar)} is not a time of day. Write hours and minutes in quotes: "09:30".')
        return time(int(found[1]) % 24, int(found[2]))

    return read


def host(scalar: Scalar) -> str:
    """A host's name or address."""
    text = scalar.text
    if not _HOST.fullmatch(text):
        raise LeafRefused(f"{_shown(scalar)} is not the name or the address of a host, such as broker.lan.")
    return text


def file_path(scalar: Scalar) -> str:
    """An absolute path; the daemon's own directory is no place to start from."""
    text = _plain_text(scalar)
    if not text.startswith("/") or text.endswith("/"):
        raise LeafRefused(f"{_shown(scalar)} is not the whole path of a file. It begins with a slash.")
    return text


def words(most: int, but: str = "") -> Leaf:
    """Some text of at most `most` characters without any of those in `but`."""

    def read(scalar: Scalar) -> str:
        text = _plain_text(scalar)
        if not 0 < len(text) <= most or any(char in text for char in but):
            without = f" without any of {but}" if but else ""
            raise LeafRefused(f"{_shown(scalar)} is not a text of 1 to {most} characters{without}.")
        return text

    return read


def anything(scalar: Scalar) -> str:
    """The text as it is; what it means depends on other settings, and the rules read it."""
    return scalar.text


def measured(read: Callable[[str], float]) -> Leaf:
    """A quantity with its unit, by one of the functions of `units`."""

    def leaf(scalar: Scalar) -> float:
        try:
            return read(scalar.text)
        except UnitRefused as refused:
            raise LeafRefused(str(refused)) from None

    return leaf


volume_ul = measured(units.volume_ul)
volume_l = measured(units.volume_l)
flow_ul_per_s = measured(units.flow_ul_per_s)
duration_s = measured(units.duration_s)
mass_g = measured(units.mass_g)
fraction = measured(units.fraction)
temperature_c = measured(units.temperature_c)
salinity = measured(units.salinity)
co2_uatm = measured(units.co2_uatm)
alkalinity_meq_per_l = measured(units.alkalinity_meq_per_l)
calcium_mmol_per_l = measured(units.calcium_mmol_per_l)
magnesium_mmol_per_l = measured(units.magnesium_mmol_per_l)


def _shown(scalar: Scalar) -> str:
    return f'"{scalar.text}"' if scalar.quoted or not scalar.text else scalar.text


def never(scalar: Scalar) -> bool:
    """`false` only: what would be allowed has to be said."""
    if boolean(scalar):
        raise LeafRefused("true does not say what is allowed. Write a list, such as {allow: [hold, dose]}, or false.")
    return False
