"""The oracle can fail: each breach that it looks for, made by hand, is found, and a clean history is not blamed."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.proof.eye import LedgerEye
from tests.proof.oracle import DAY_S, Keeper, Oracle, worst_excess

KEEPER = Keeper(
    dose_ul={"alk": 2500, "ca": 2500},
    day_ul={"alk": 10_000, "ca": 10_000},
    run_s={"alk": 80.0, "ca": 80.0},
    cup_ul={"alk": 30_000, "ca": 30_000},
    rise_umol={"alkalinity": 9000.0},
    gap_s={frozenset(("alk", "ca")): 600.0},
    daily_umol={"alk": 5000.0, "ca": 5000.0},
)
FLOW_UL_PER_S = 250.0


def oracle(keeper: Keeper = KEEPER) -> Oracle:
    made = Oracle()
    made.plan(0.0, keeper)
    for name, strength in {"alk": {"alkalinity": 1.0}, "ca": {"calcium": 1.0}}.items():
        made.flow(name, FLOW_UL_PER_S)
        made.bottle(name, strength, 1000.0)
    return made


def pump(of: Oracle, channel: str, at_s: float, run_s: float, row: dict[str, Any] | None = None) -> None:
    of.line(channel, True, at_s, round(at_s * 1e6))
    if row is not None:
        of._on[channel] = (*of._on[channel][:2], round(at_s), {"channel": channel, **row})
    of.line(channel, False, at_s + run_s, 0)


def only(of: Oracle, words: str) -> None:
    found = of.breaches()
    assert found
    assert all(words in breach for breach in found), found


def test_a_clean_day_is_not_blamed() -> None:
    clean = oracle()
    for number in range(4):
        pump(clean, "alk", 6000.0 * number, 9.0)
        pump(clean, "ca", 6000.0 * number + 609.0, 9.0)
    assert clean.breaches() == []


def test_a_window_is_found_wherever_it_begins() -> None:
    spans = [(50_000.0, 50_010.0, 1.0), (130_000.0, 130_010.0, 1.0), (136_395.0, 136_405.0, 1.0)]
    excess, from_s, amount, limit = worst_excess(spans, [(0.0, 20.0)])
    assert (amount, limit) == (25.0, 20.0)
    assert excess == 5.0
    assert 50_000.0 <= from_s <= 50_005.0


def test_a_window_after_a_reload_has_the_new_limit_alone() -> None:
    spans = [(0.0, 10.0, 1.0), (200_000.0, 200_010.0, 1.0)]
    assert worst_excess(spans, [(0.0, 10.0), (90_000.0, 4.0)])[0] == 6.0
    assert worst_excess(spans, [(0.0, 10.0), (199_999.0, 4.0)])[0] == pytest.approx(6.0)
    assert worst_excess(spans, [(0.0, 10.0), (200_005.0, 4.0)])[0] == pytest.approx(1.0)


def test_too_much_in_24_hours_is_found_in_each_unit() -> None:
    for keeper, words in (
        (replace(KEEPER, run_s={"alk": 90.0}, rise_umol={}), "alk µL"),
        (replace(KEEPER, run_s={"alk": 40.0}, day_ul={"alk": 20_000}, rise_umol={}), "alk motor s"),
        (replace(KEEPER, run_s={"alk": 90.0}, day_ul={"alk": 20_000}), "alkalinity µmol"),
    ):
        much = oracle(keeper)
        for number in range(5):
            pump(much, "alk", DAY_S / 5 * number, 8.2)
        only(much, words)


def test_rise_is_summed_over_channels_and_the_line_holds_the_old_stock() -> None:
    both = oracle(replace(KEEPER, gap_s={}))
    both.bottle("ca", {"alkalinity": 4.0}, 1000.0)
    for number in range(3):
        pump(both, "alk", 1000.0 * number, 8.0)
    pump(both, "ca", 5000.0, 4.0)  # the line's 1000 µL are still calcium
    assert both.breaches() == []
    pump(both, "ca", 6000.0, 4.0)
    only(both, "alkalinity µmol")


def test_cups_are_counted_apart() -> None:
    cup = oracle(replace(KEEPER, cup_ul={"alk": 5000.0}))
    cup.outlet("alk", "cup")
    pump(cup, "alk", 0.0, 40.0)
    assert cup.breaches() == []
    pump(cup, "alk", 100.0, 1.0)
    only(cup, "alk cup µL")


def test_a_large_dose_a_gap_and_two_pumps_at_once_are_found() -> None:
    large = oracle()
    pump(large, "alk", 0.0, 10.1)
    only(large, "at once")
    close = oracle()
    pump(close, "alk", 0.0, 9.0)
    pump(close, "ca", 608.0, 9.0)
    only(close, "s after alk")
    both = oracle(replace(KEEPER, gap_s={}))
    both.line("alk", True, 0.0, 0)
    pump(both, "ca", 1.0, 1.0)
    both.line("alk", False, 3.0, 0)
    only(both, "while ['alk'] still on")


def test_a_line_that_stuck_counts_to_its_leases_end_and_for_gaps_to_its_own() -> None:
    stuck = oracle()
    stuck.line("alk", True, 0.0, 0)
    stuck.line("alk", False, 400.0, 0, 9.0)
    pump(stuck, "ca", 1001.0, 9.0)
    assert stuck.breaches() == []
    pump(stuck, "alk", 1500.0, 1.0)
    only(stuck, "s after ca")


def test_runs_while_held_or_paused_or_of_no_plan_are_found() -> None:
    held = oracle()
    held.held(10.0)
    pump(held, "alk", 20.0, 1.0)
    only(held, "held or paused")
    held = oracle()
    held.held(10.0)
    held.released(15.0)
    held.paused(30.0, 100.0)
    pump(held, "alk", 20.0, 1.0)
    assert held.breaches() == []
    pump(held, "alk", 99.0, 1.0)
    only(held, "held or paused")
    gone = oracle(replace(KEEPER, dose_ul={"ca": 2500}))
    pump(gone, "alk", 0.0, 1.0)
    only(gone, "not in the plan")


def scheduled(slot: str, due_s: float, day: str | None = "2027-03-28") -> dict[str, Any]:
    return {"purpose": "scheduled", "slot": slot, "due_at_us": round(due_s * 1e6), "day": day, "asked_ul": 1000}


def test_a_slot_dosed_twice_or_late_and_a_day_past_its_plan_are_found() -> None:
    twice = oracle()
    pump(twice, "alk", 0.0, 1.0, scheduled("a", 0.0))
    pump(twice, "alk", 10.0, 1.0, scheduled("a", 0.0))
    only(twice, "dosed twice")
    late = oracle()
    pump(late, "alk", 301.0, 1.0, scheduled("a", 0.0))
    only(late, "after it was due")
    early = oracle()
    pump(early, "alk", 301.0, 1.0, scheduled("a", 302.0))
    only(early, "after it was due")
    day = oracle()
    for number in range(3):
        pump(day, "alk", 1000.0 * number, 7.0, scheduled(str(number), 1000.0 * number))
    only(day, "given by plan")


def test_more_than_half_a_day_without_a_clock_is_found() -> None:
    blind = oracle()
    for number in range(6):
        pump(blind, "alk", 10_000.0 + 14_400.0 * number, 2.0, scheduled(str(number), 0.0, None) | {"due_at_us": None})
    assert blind.breaches() == []
    slow = oracle(replace(KEEPER, daily_umol={"alk": 2000.0}))
    for number in range(6):
        pump(slow, "alk", 10_000.0 + 14_400.0 * number, 2.0, scheduled(str(number), 0.0, None) | {"due_at_us": None})
    only(slow, "without a clock")


def ledger(place: Path, kind: str, body: dict[str, Any], settled: dict[str, Any], seen: int = 1) -> LedgerEye:
    with sqlite3.connect(place / "l.db") as connection:
        connection.execute("CREATE TABLE rows (seq INTEGER, kind TEXT, body TEXT)")
        connection.execute("INSERT INTO rows VALUES (1, ?, ?)", (kind, json.dumps(body)))
        if settled:
            connection.execute("INSERT INTO rows VALUES (0, 'settled', ?)", (json.dumps(settled),))
    connection.close()
    (place / "witness-0").write_bytes(b"heading\n" + json.dumps({"seq": seen}).encode() + b"\nsum\n")
    return LedgerEye(place / "l.db", place)


RESERVED = {
    "channel": "alk",
    "into": "tank",
    "reserved_ul": 2000,
    "lease_ms": 8000,
    "change_umol": {"alkalinity": 2000},
}
SETTLED = {"reservation": 1, "given_ul": 1000, "ran_ms": 4000, "change_umol": {"alkalinity": 1000}}


@pytest.mark.parametrize(
    ("kind", "body", "settled", "seen", "run_s", "words"),
    [
        ("reserved", {}, SETTLED, 1, 4.0, ""),
        ("reserved", {}, {}, 1, 8.0, ""),
        ("reserved", {}, SETTLED | {"ran_ms": 9000, "change_umol": {"alkalinity": 9000}}, 1, 4.1, "pumped"),
        ("reserved", {}, SETTLED | {"given_ul": 9000, "change_umol": {"alkalinity": 9000}}, 1, 4.1, "ran 4"),
        ("reserved", {}, SETTLED | {"given_ul": 9000, "ran_ms": 9000}, 1, 4.1, "added"),
        ("reserved", {"into": "cup"}, SETTLED, 1, 4.0, "into the tank"),
        ("reserved", {"channel": "ca"}, SETTLED, 1, 4.0, "newest row"),
        ("stamp", {}, SETTLED, 1, 4.0, "newest row"),
        ("reserved", {}, SETTLED, 0, 4.0, "witness"),
    ],
)
def test_a_pulse_without_its_row_is_found(
    tmp_path: Path,
    kind: str,
    body: dict[str, Any],
    settled: dict[str, Any],
    seen: int,
    run_s: float,
    words: str,
) -> None:
    seeing = oracle()
    seeing.eye = ledger(tmp_path, kind, RESERVED | body, settled, seen)
    pump(seeing, "alk", 0.0, run_s)
    found = seeing.breaches()
    seeing.eye.close()
    assert bool(found) == bool(words)
    assert all(words in breach for breach in found)
