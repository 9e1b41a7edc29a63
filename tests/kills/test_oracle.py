"""The oracle of the kill campaign can fail: every rule of it catches a pair of files, made by hand, that breaks it."""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.kills.oracle import Outage, breaches, breaches_at_death
from tests.kills.pairs import KEEPER, WALL_US, Pair, good


def test_the_oracle_imports_nothing_of_the_program() -> None:
    here = Path(__file__).parent
    imported = {
        name
        for file in ("oracle.py", "files.py")
        for node in ast.walk(ast.parse((here / file).read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names])
    }
    assert {name for name in imported if name.split(".")[0] in ("dosingd", "tests")} == {"tests.kills.files"}


def test_an_orderly_life_breaks_nothing(tmp_path: Path) -> None:
    assert good().judged(tmp_path) == []


def _dose(*words: Any, **more: Any) -> Callable[[Pair], None]:
    return lambda pair: pair.dose(*words, **more)


def _no_row(pair: Pair) -> None:
    pair.levels += [("ca", True, 3000.0), ("ca", False, 3000.1)]


def _row_of_the_other(pair: Pair) -> None:
    pair.reserve("ca", 2999.9, slot="x")
    pair.levels += [("alk", True, 3000.0), ("alk", False, 3001.2)]
    pair.settle("ca", 3001.3, "unknown", 1.7)


def _row_after_the_pin(pair: Pair) -> None:
    pair.levels += [("ca", True, 3000.0), ("ca", False, 3001.2)]
    pair.reserve("ca", 3000.0001, slot="x")
    pair.settle("ca", 3001.3, "given", 1.2)


def _settled_while_on(pair: Pair) -> None:
    pair.reserve("ca", 3000.0, slot="x")
    pair.levels += [("ca", True, 3000.1), ("ca", False, 3001.3)]
    pair.settle("ca", 3001.2, "given", 1.2)


def _two_pulses_for_a_row(pair: Pair) -> None:
    pair.reserve("ca", 3000.0, slot="x")
    pair.levels += [("ca", True, 3000.1), ("ca", False, 3000.5), ("ca", True, 3000.6), ("ca", False, 3001.3)]
    pair.settle("ca", 3001.4, "given", 1.2)


def _old_row(pair: Pair) -> None:
    pair.reserve("ca", 3000.0, slot="x")
    pair.levels += [("ca", True, 3540.1), ("ca", False, 3541.0)]
    pair.settle("ca", 3541.1, "partial", 0.9)


def _on_twice(pair: Pair) -> None:
    pair.levels.insert(1, ("alk", True, 1400.5))


def _off_twice(pair: Pair) -> None:
    pair.levels.insert(2, ("alk", False, 1401.5))


def _backwards(pair: Pair) -> None:
    pair.levels[1], pair.levels[3] = ("alk", False, 1399.0), pair.levels[3]


def _torn(pair: Pair) -> None:
    pair.torn = '{"channel": "alk", "on": tr'


def _still_on(pair: Pair) -> None:
    pair.reserve("ca", 2999.9, slot="x")
    pair.levels.append(("ca", True, 3000.0))
    pair.settle("ca", 3001.3, "given", 1.2)


def _together(pair: Pair) -> None:
    pair.reserve("alk", 3000.0, slot="x")
    pair.reserve("ca", 3000.1, slot="y")
    pair.levels += [("alk", True, 3000.2), ("ca", True, 3000.3), ("alk", False, 3001.4), ("ca", False, 3001.5)]
    pair.rows.append(("settled", 3001.6, {**_booked("alk"), "reservation": len(pair.rows) - 1}))
    pair.rows.append(("settled", 3001.6, {**_booked("ca"), "reservation": len(pair.rows) - 1}))


def _booked(channel: str) -> dict[str, Any]:
    return {"channel": channel, "outcome": "given", "given_ul": 120, "ran_ms": 1200}


def _near_a_killed_run(pair: Pair) -> None:
    # 60 s after the kill and after the lease's end, but not after the true end.
    pair.dose("alk", 2063.9)


def _alive_past_its_lease(pair: Pair) -> None:
    pair.outages.clear()


def _on_after_the_next_start(pair: Pair) -> None:
    pair.outages[:] = [Outage(2000.5, 2003.7)]


def _never_settled(pair: Pair) -> None:
    pair.reserve("ca", 3000.0, slot="x")


def _change_row(seq: int, **more: Any) -> Callable[[Pair], None]:
    def change(pair: Pair) -> None:
        kind, at_s, body = pair.rows[seq - 1]
        pair.rows[seq - 1] = (kind, at_s, body | more)

    return change


def _booked_and_never_ran(pair: Pair) -> None:
    pair.reserve("ca", 3000.0, slot="x")
    pair.settle("ca", 3001.2, "given", 1.2)


def _large(pair: Pair) -> None:
    pair.dose("ca", 3000.0, ran_s=2.1)
    pair.rows[-2][2].update(lease_ms=3000, asked_ul=150)


def _asked_too_much(pair: Pair) -> None:
    pair.dose("ca", 3000.0)
    pair.rows[-2][2].update(asked_ul=151)


def _slot_twice(pair: Pair) -> None:
    pair.dose("alk", 3000.0, slot="alk/1400.0")


def _slot_missed_and_dosed(pair: Pair) -> None:
    pair.rows.append(("not_given", 2990.0, {"channel": "alk", "slot": "x", "outcome": "missed"}))
    pair.dose("alk", 3000.0, slot="x")


def _early(pair: Pair) -> None:
    pair.dose("alk", 3000.0)
    pair.rows[-2][2].update(due_at_us=WALL_US + 2_000_100_000)


def _late(pair: Pair) -> None:
    pair.dose("alk", 3000.0)
    pair.rows[-2][2].update(due_at_us=WALL_US + 1_699_000_000)


def _held(pair: Pair) -> None:
    pair.rows.append(("held", 2950.0, {"reason": "x"}))
    pair.dose("alk", 3000.0)


def _held_until_later(pair: Pair) -> None:
    pair.reserve("ca", 2949.0, slot="x")
    pair.rows.append(("held", 2950.0, {"reason": "x"}))
    pair.levels += [("ca", True, 2951.0), ("ca", False, 2952.2)]
    pair.rows.append(("settled", 2952.3, {**_booked("ca"), "reservation": len(pair.rows) - 1}))
    pair.rows.append(("released", 2960.0, {"by": "x"}))


def _hasty_clock(pair: Pair) -> None:
    pair.proven_ms[3] = 402_000


def _proven_falls(pair: Pair) -> None:
    pair.proven_ms[4] = 1


def _not_empty(pair: Pair) -> None:
    pair.rows[0][2]["full"] = True


def _begins_late(pair: Pair) -> None:
    pair.proven_ms[1] = 5


def _not_partial(pair: Pair) -> None:
    pair.rows[6][2]["outcome"] = "missed"


def _partial_booked_whole(pair: Pair) -> None:
    pair.rows[6][2]["given_ul"] = 120


def _witness_behind(pair: Pair) -> None:
    pair.witness = len(pair.rows) - 1


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_no_row, "3000.000000: ca ran without a row: row 8 had its run before"),
        (_row_of_the_other, "3000.000000: alk ran without a row: row 10 had its run before"),
        (_row_after_the_pin, "3000.000000: ca ran without a row: row 8 had its run before"),
        (_two_pulses_for_a_row, "3000.600000: ca ran without a row: row 12 had its run before"),
        (_settled_while_on, "3000.100000: ca ran on after its row 12 was settled"),
        (_old_row, "3540.100000: ca began more than 540 s after its row 12"),
        (_on_twice, "pulses, line 2: alk goes on twice"),
        (_off_twice, "pulses, line 3: alk goes off twice"),
        (_backwards, "pulses, line 2: 1399.0 comes after 1400.0"),
        (_torn, "tells no level"),
        (_still_on, "3000.000000: ca is still on"),
        (_together, "3000.300000: ca began -1.100000 s after the end of alk, gap 60 s"),
        (_near_a_killed_run, "2063.900000: alk began 59.900000 s after the end of ca, gap 60 s"),
        (_alive_past_its_lease, "2000.000000: ca was on for 4.000 s, 1.700 s was its lease"),
        (_on_after_the_next_start, "2000.000000: ca was on for 4.000 s, 1.700 s was its lease"),
        (_never_settled, "row 12: ca was never settled"),
        (_change_row(9, given_ul=399), "2000.000000: ca gave 400.000 µL, row 9 books 399"),
        (_change_row(9, ran_ms=3999), "2000.000000: ca ran 4.000000 s, row 9 books 3999 ms"),
        (_booked_and_never_ran, "row 13: ca is booked as given, and 120.000 µL of it never ran"),
        (_dose("ca", 3000.0, ran_s=0.9, given_ul=120), "row 13: ca is booked as given, and 30.000 µL of it never ran"),
        (_large, "3000.000000: ca: 150 µL asked and 210.000 given, dose limit 150"),
        (_asked_too_much, "3000.000000: ca: 151 µL asked and 120.000 given, dose limit 150"),
        (_slot_twice, "row 12: slot alk/1400.0 was consumed before"),
        (_slot_missed_and_dosed, "row 13: slot x was consumed before"),
        (_early, "3000.000000: alk began -0.100 s after it was due"),
        (_late, "3000.000000: alk began 301.000 s after it was due"),
        (_held, "row 13: alk was reserved although row 12 holds the rig"),
        (_held, "3000.000000: alk ran although row 12 holds the rig"),
        (_held_until_later, "2951.000000: ca ran although row 13 holds the rig"),
        (_hasty_clock, "row 3: 402000 ms are proven, 401.220000 s passed"),
        (_proven_falls, "row 4: it does not follow row 3"),
        (_not_empty, "row 1: a ledger begins empty, with no proven time"),
        (_begins_late, "row 1: a ledger begins empty, with no proven time"),
        (_not_partial, "1600.000000: alk was cut after 0.500 s and is booked as missed"),
        (_partial_booked_whole, "1600.000000: alk was cut after 0.500 s and 120 µL are booked"),
        (_witness_behind, "the newest row is 11, the witness has seen row 10"),
    ],
)
def test_what_is_broken_is_found(tmp_path: Path, spoil: Callable[[Pair], None], said: str) -> None:
    pair = good()
    spoil(pair)
    found = pair.judged(tmp_path)
    assert any(said in fault for fault in found), found


def test_sums_that_are_short_are_found_although_no_pulse_has_a_row(tmp_path: Path) -> None:
    pair = Pair(rows=[("ledger_made", 1000.0, {"full": False})])
    pair.levels = [("alk", True, 1400.0), ("alk", False, 1401.2)]
    assert any("alk: 120.000 µL ran in all" in fault for fault in pair.judged(tmp_path))


# -- the limits ------------------------------------------------------------------------------------------------


def _doses(every_s: float, number: int, from_s: float = 1000.0) -> Pair:
    pair = Pair(rows=[("ledger_made", 1000.0, {"full": False})])
    for count in range(number):
        pair.dose("alk", from_s + every_s * (count + 1))
    return pair


def test_a_fresh_ledger_begins_at_zero(tmp_path: Path) -> None:
    # 120 µL are earned in 160 s; a second dose at 300 s is 20 s too early, although a bucket would have room.
    assert _doses(161.3, 20).judged(tmp_path) == []
    early = tmp_path / "early"
    early.mkdir()
    found = _doses(150.0, 20).judged(early)
    assert any("alk µL: 2400.000 in 1000.000 to 4001.200, 2250.900 allowed" in fault for fault in found), found


def test_a_full_bucket_is_a_quarter_of_the_limit_and_no_more(tmp_path: Path) -> None:
    # 40,000 s after the making the bucket has been full for long: 21,750 µL, and 0.75 µL/s besides.
    def burst(number: int) -> Pair:
        return _doses(2.0, number, from_s=41_000.0)

    assert burst(183).judged(tmp_path) == []
    over = tmp_path / "over"
    over.mkdir()
    found = burst(185).judged(over)
    assert [fault.split(":")[0] for fault in found] == ["alk µL"], found


def test_what_ran_past_a_lease_without_a_daemon_comes_on_top(tmp_path: Path) -> None:
    pair = _doses(161.3, 20)
    # By 4,441.7 there are 2,581 µL: enough for 170 more, and not for 300.
    pair.dose("alk", 4440.0, ran_s=3.0, outcome="unknown")
    pair.outages.append(Outage(4440.5, 4443.1))
    assert pair.judged(tmp_path) == []


def test_what_ran_within_a_lease_does_not_come_on_top_whoever_was_killed(tmp_path: Path) -> None:
    pair = _doses(161.3, 20)
    pair.dose("alk", 4400.0, ran_s=3.0, outcome="unknown")
    pair.outages.append(Outage(4400.5, 4403.1))
    found = pair.judged(tmp_path)
    assert [fault.split(":")[0] for fault in found] == ["alk µL"], found


@pytest.mark.parametrize("limit", ["alk µL", "alk motor s", "alkalinity µmol"])
def test_each_of_the_three_limits_is_held(tmp_path: Path, limit: str) -> None:
    pair = _doses(161.3, 20)
    pair.write(tmp_path)
    assert breaches(tmp_path, KEEPER, []) == []
    smaller = {
        "alk µL": replace(KEEPER, day_ul={"alk": 80_000.0}),
        "alk motor s": replace(KEEPER, run_s={"alk": 800.0, "ca": 8_700.0}),
        "alkalinity µmol": replace(KEEPER, rise_umol={"alkalinity": 80_000.0}),
    }
    found = breaches(tmp_path, smaller[limit], [])
    assert [fault.split(":")[0] for fault in found] == [limit], found


# -- at a death ------------------------------------------------------------------------------------------------


def _in_flight() -> Pair:
    pair = good()
    pair.reserve("ca", 2999.9, slot="x")
    pair.levels.append(("ca", True, 3000.0))
    return pair


def _judged_at_death(pair: Pair, state: Path) -> list[str]:
    pair.write(state)
    return breaches_at_death(state)


def test_a_line_that_is_high_at_a_death_has_its_row_on_the_disk(tmp_path: Path) -> None:
    assert _judged_at_death(_in_flight(), tmp_path) == []


def test_a_line_that_is_high_without_a_row_is_found_at_the_death(tmp_path: Path) -> None:
    pair = _in_flight()
    pair.rows.pop()
    assert _judged_at_death(pair, tmp_path) == ["3000.000000: ca ran without a row: row 8 had its run before"]


def test_a_line_that_is_high_for_a_settled_row_is_found_at_the_death(tmp_path: Path) -> None:
    pair = _in_flight()
    pair.settle("ca", 3000.5, "given", 1.2)
    assert _judged_at_death(pair, tmp_path) == ["3000.000000: ca ran on after its row 12 was settled"]


def test_a_line_that_is_high_before_the_witness_knows_is_found_at_the_death(tmp_path: Path) -> None:
    pair = _in_flight()
    pair.witness = 11
    assert _judged_at_death(pair, tmp_path) == [
        "3000.000000: ca is on for row 12, and the witness has seen row 11 only"
    ]


def test_a_slot_of_the_witness_that_was_cut_counts_for_nothing(tmp_path: Path) -> None:
    _in_flight().write(tmp_path)
    slot = tmp_path / "witness" / "witness-1"
    slot.write_bytes(slot.read_bytes().replace(b"12}", b"13}"))
    assert breaches_at_death(tmp_path) == ["3000.000000: ca is on for row 12, and the witness has seen row 11 only"]
