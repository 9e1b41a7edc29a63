"""The catalogue: every kind has its entry and its row in README, and every text reads as by someone away from home."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dosingd.alarms import Kind
from dosingd.catalogue import CATALOGUE, Severity

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SECTION = README.split("\n### The alarms\n", 1)[1].split("\n#", 1)[0]
ROWS = dict(re.findall(r"^\| `([a-z-]+)` \| (.*) \|$", SECTION, re.M))


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_has_its_entry(kind: Kind) -> None:
    entry = CATALOGUE[kind]
    assert entry.cause
    assert entry.ends
    assert entry.answer or not entry.latched, "what waits for a person must say for what"


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_has_its_row_in_readme(kind: Kind) -> None:
    entry = CATALOGUE[kind]
    person = entry.answer or "nobody"
    assert ROWS[kind] == f"{entry.severity.name.lower()} | {entry.cause} | {entry.ends} | {person}"


def test_readme_has_no_row_too_many() -> None:
    assert ROWS.keys() == {kind.value for kind in Kind}


def test_what_stops_dosing_or_may_be_going_into_the_tank_is_urgent() -> None:
    stops = {
        Kind.HELD, Kind.PUMP_OUTLIVED, Kind.LEAK, Kind.NO_LEDGER, Kind.CANNOT_LAY, Kind.RESERVOIR_RESERVE,
        Kind.NO_STRENGTH, Kind.STOCK_DIFFERS, Kind.NO_CALIBRATION, Kind.NO_CIRCULATION, Kind.SHORTFALL,
        Kind.RESERVOIR_UNKNOWN, Kind.WITHOUT_CLOCK, Kind.RESTART_LOOP, Kind.PLAN_CHANGED, Kind.LEVEL_DIFFERS,
    }  # fmt: skip
    assert {kind for kind, entry in CATALOGUE.items() if entry.severity is Severity.URGENT} == stops
