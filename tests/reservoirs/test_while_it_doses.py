"""Refills of the real daemon while it doses every few seconds: no dose is late for one, each microlitre is booked."""

from __future__ import annotations

from pathlib import Path

from tests.daemon.child import Rig


def test_refills_between_doses_delay_none_and_lose_none(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        rig.start()
        rig.wait_for_pulses(6)
        for _ in range(5):
            told = rig.ask("refill", "alk", "--to", "900 L", "--found", "900 L")
            assert told["ok"] is True
            rig.wait_for_pulses(2)
        assert rig.stop() == 0
        entries = rig.ask("history")["entries"]
        left_ml = rig.ask("status")["channels"]["alk"]["reservoir"]["left_ml"]
    # A new ledger's allowance begins at zero: a dose within its first second is refused, and then one is given.
    first = next(one["seq"] for one in entries if one["kind"] == "reserved")
    outcomes = [one["outcome"] for one in entries if one["outcome"] and one["seq"] > first]
    assert set(outcomes) <= {"given", "partial"}, "the stop may cut one short"
    refills = [one["seq"] for one in entries if one["kind"] == "refilled" and one["channel"] == "alk"]
    assert len(refills) == 6, "and the one that init booked"
    since_ul = sum(
        one["given_ul"]
        for one in entries
        if one["kind"] == "settled" and one["channel"] == "alk" and one["seq"] > refills[-1]
    )
    assert left_ml * 1000 == 900_000_000 - since_ul
    ended = [one for one in rig.pulses if not one["on"]]
    assert len(ended) == len(outcomes), "every pulse has its row"
