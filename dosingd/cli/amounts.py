"""Quantities on the command line, each with its unit, and the lines in which the chemistry's verbs answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import click

from dosingd import units
from dosingd.cli.reply import folded
from dosingd.errors import UnitRefused
from dosingd.words import plain


class Amount(click.ParamType[float]):
    """A number with its unit, such as `250 g`, as the plan would have it."""

    def __init__(self, name: str, read: Callable[[object], float]) -> None:
        self.name = name
        self._read = read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            return self._read(value)
        except UnitRefused as refused:
            self.fail(str(refused), param, ctx)


MASS = Amount("mass", units.mass_g)
VOLUME = Amount("volume", units.volume_l)
SHARE = Amount("share", units.fraction)
TEMPERATURE = Amount("temperature", units.temperature_c)
SALINITY = Amount("salinity", units.salinity)


def _co2_uatm(text: object) -> float:
    # The option's own name says ppm, so that a bare number can only mean that.
    return units.co2_uatm(f"{text} ppm" if str(text).strip().replace(".", "", 1).isdecimal() else text)


CO2 = Amount("CO2", _co2_uatm)


def assay_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--assay`, and `--purity` for those who call it so."""
    for option in (
        click.option("--purity", type=SHARE, metavar="P", help="The same as --assay."),
        click.option("--assay", type=SHARE, metavar="P", help="Share of the named salt, from its label: 98.5 %."),
    ):
        command = option(command)
    return command


def assay_of(assay: float | None, purity: float | None) -> float | None:
    """The one that was said. Refuses both at once."""
    if assay is not None and purity is not None:
        raise click.UsageError("--purity is the same as --assay, and both are said. Keep one of them.")
    return purity if assay is None else assay


def quantity_of(option: str, text: str, *kinds: units.Kind, density_kg_per_l: float | None = None) -> units.Quantity:
    """A quantity whose kind depends on another option. A refusal names the option."""
    try:
        return units.quantity(text, *kinds, density_kg_per_l=density_kg_per_l)
    except UnitRefused as refused:
        raise UnitRefused(f"{option}: {refused}") from None


def pairs(rows: Iterable[tuple[str, str]]) -> str:
    """What is said of each, one below the other, in two columns; what is too long is folded into the second."""
    rows = tuple(rows)
    width = max(len(label) for label, _ in rows) + 2
    lines = []
    for label, said in rows:
        first, *more = folded(said, 80 - width - 2).splitlines()
        lines += [f"{label:<{width}}{first}", *(" " * width + line.strip() for line in more)]
    return "\n".join(lines)


def bullets(head: str, lines: Sequence[str]) -> str:
    """Sentences below a heading, folded at the page's width."""
    return "\n".join([head, *(folded(f"- {line}") for line in lines)])


def figure(value: float, digits: int = 5) -> str:
    """A figure with so many digits that count and no exponent: what can be typed again without losing any."""
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}" if abs(value) < 1e15 else plain(value, 15)
    return text.rstrip("0").rstrip(".") if "." in text else text


def command_lines(command: str, indent: str = "") -> list[str]:
    """A command as it can be copied: one line where it fits, else broken before its options as a shell reads it."""
    lines = [""]
    for part in command.replace(" --", "\0--").split("\0"):
        joined = f"{lines[-1]} {part}".strip()
        if lines[-1] and len(indent) + 2 * (len(lines) > 1) + len(joined) > 78:
            lines.append(part)
        else:
            lines[-1] = joined
    return [
        indent + ("  " if place else "") + line + (" \\" if place < len(lines) - 1 else "")
        for place, line in enumerate(lines)
    ]
