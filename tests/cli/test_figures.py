"""Figures in what a person reads: never as a power of ten, whatever was typed."""

from __future__ import annotations

import ast
import math
import re
import shlex
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import dosingd
from dosingd.words import plain
from tests.cli.running import LAGOON, say

ROOMS = Path(dosingd.__file__).parent
#: A figure such as 1e+07 or 2.5E-05.
POWER_OF_TEN = re.compile(r"(?<![\w.])[0-9]+(\.[0-9]+)?[eE][+-]?[0-9]+(?!\w)")


def test_a_plain_figure_has_its_digits_and_no_power() -> None:
    shown = {
        1e7: "10000000", 12_345_678.0: "12345700", 1e6: "1000000", 0.00001: "0.00001", 1.5e-7: "0.00000015",
        24.9: "24.9", 24.0: "24", 0.0: "0", -1e7: "-10000000", 99.99999: "100", math.inf: "inf",
    }  # fmt: skip
    assert {value: plain(value) for value in shown} == shown
    assert (plain(1234.5, 2), plain(0.1234, 3), plain(123, 3)) == ("1200", "0.123", "123")


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(1, 12))
def test_a_plain_figure_is_the_figure_to_its_digits(value: float, digits: int) -> None:
    text = plain(value, digits)
    assert re.fullmatch(r"-?[0-9]+(\.[0-9]*[1-9])?", text)
    assert abs(Decimal(text) - Decimal(value)) <= abs(Decimal(value)) * Decimal(10) ** (1 - digits)


def formats(path: Path) -> list[str]:
    """Every format of an f-string, and of `format`, that may come to a power of ten."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FormattedValue) and isinstance(node.format_spec, ast.JoinedStr):
            last = node.format_spec.values[-1]
            how = last.value if isinstance(last, ast.Constant) else ""
            if isinstance(how, str) and re.search(r"[gGeEn]$", how):
                found.append(f"{path.name}:{node.lineno}: {how}")
    return found


def test_no_room_but_words_writes_a_figure_that_may_come_to_a_power_of_ten() -> None:
    paths = sorted(ROOMS.rglob("*.py"))
    assert len(paths) > 100
    assert [each for path in paths if path != ROOMS / "words.py" for each in formats(path)] == []
    assert formats(ROOMS / "words.py") != []


@pytest.mark.parametrize(
    "line",
    [
        "bake --before 1000000000g --after 0.00000001g",
        "bake --before 12345678g --after 12345679g",
        "bake --before 100g --after 63g --moisture 0.000001%",
        "mix --salt 'sodium carbonate' --mass 100000000g --volume 1L",
        "mix --salt 'sodium carbonate' --mass 0.0000001g --volume 10000000L",
        "mix --salt 'calcium chloride dihydrate' --strength 10000000g/L --volume 1L",
        "convert 12345678L mL",
        "convert 0.00000001L mL",
        "convert 0.0000001dKH meq/L",
        "ph --alkalinity 8dKH --add 10000000dKH --as carbonate",
        "ph --alkalinity 0.0000001dKH --add 1dKH --as carbonate",
        "ph --alkalinity 8dKH --add 0.0000001dKH --as carbonate --co2 10000000",
        "dose alk 10000000mL",
        "dose alk 0.0000001mL",
        "dose alk 99999999L",
        "prime alk 10000000mL --into cup",
        "refill alk --to 100000000L",
        "refill alk --to 1L --found 100000000L",
        "calibrate alk --run 0.0000001=15mL --run 10000000=15mL",
        "calibrate alk --run 60=10000000mL",
        "pause 10000000h",
        "pause 0.0000001s",
    ],
)
def test_whatever_is_typed_no_power_of_ten_comes_back(
    line: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    verb, *rest = shlex.split(line)
    state = ["--state", str(tmp_path), "--plan", LAGOON] if verb in STATEFUL else []
    said = say(capsys, verb, *rest, *state)
    assert said.out + said.err
    assert not POWER_OF_TEN.search(said.out + said.err), said


STATEFUL = {"dose", "prime", "refill", "calibrate", "pause"}
