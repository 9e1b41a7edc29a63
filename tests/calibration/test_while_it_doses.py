"""calibrate, refill and retube while the real daemon doses every few seconds, by several people at once.

One owner of the ledger; every microlitre that ran is booked, and no more; the doses of the channels that nobody has at
a terminal are given in time, or missed with a reason.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

import pytest

from tests.calibration.busy import (
    CHANNELS,
    Busy,
    answers,
    begin_run,
    calibrated_by_hand,
    judge,
    lateness_s,
    patiently,
    persons,
    to_the_runs,
)
from tests.daemon.child import CLOCK, wait_until
from tests.kills.files import rows_of

#: 500 µL/s and 2 µL at each start, to the microlitre.
TRUE_RUNS = ("--run", "2 s=1.002 mL", "--run", "6 s=3.002 mL", "--run", "6.2 s=3.102 mL")


def calm(faults: list[str]) -> None:
    assert faults == [], "\n".join(faults)


def booked(rig: Busy, kind: str) -> int:
    return sum(row.kind == kind for row in rows_of(rig.state))


def storm(rig: Busy, times: int) -> None:
    """So many of each at once, each of them a process; two slips among them. Each word is booked once."""
    rig.wait_for_doses(1, *CHANNELS)
    kinds = ("calibrated", "refilled", "retubed")
    before = {kind: booked(rig, kind) for kind in kinds}
    good = times * [
        ("calibrate", "ca", *TRUE_RUNS),
        ("refill", "mg", "--to", "1200 mL", "--found", "1100 mL"),
        ("retube", "alk"),
        ("refill", "alk", "--to", "1200 mL", "--found", "1100 mL"),
    ]
    slips = [
        ("calibrate", "mg", "--run", "2 s=10 mL", "--run", "6 s=30 mL", "--run", "6.2 s=31 mL"),
        ("refill", "ca", "--to", "20 L"),
    ]
    clients = [(each, rig.client(*each)) for each in (*good, *slips)]
    owners = set[int]()
    while any(client.poll() is None for _, client in clients):
        owners |= rig.owners(client.pid for _, client in clients)
        CLOCK.wait_until_mono_s(CLOCK.now().mono_s + 0.02)
    told = answers(clients)
    assert [one.status for one in told] == [0] * len(good) + [2, 2], [one for one in told if one.status]
    assert owners == {rig.pid}
    booked_now = {kind: booked(rig, kind) - before[kind] for kind in kinds}
    assert booked_now == {"calibrated": times, "refilled": 2 * times, "retubed": times}
    # Alkalinity doses again once somebody has calibrated its new tubing.
    assert rig.ask("calibrate", "alk", *TRUE_RUNS)["accepted"] is True
    rig.wait_for_doses(2, *CHANNELS)


def test_people_at_once_are_each_booked_once_by_one_owner_and_no_dose_is_lost(tmp_path: Path) -> None:
    with Busy(tmp_path) as rig:
        rig.start()
        storm(rig, 1)
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))


@pytest.mark.campaign
def test_dozens_at_once_are_each_booked_once_by_one_owner_and_no_dose_is_lost(tmp_path: Path) -> None:
    with Busy(tmp_path) as rig:
        rig.start()
        for times in (3, 5, 3):
            storm(rig, times)
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))


def test_people_who_are_gone_in_the_middle_of_a_run_cost_no_other_channel_a_dose(tmp_path: Path) -> None:
    """One is killed, the next one's terminal is closed; each run goes on to its end, as it would have."""
    with Busy(tmp_path) as rig:
        rig.start()
        rig.wait_for_doses(1, "alk")
        ran_ml, from_s = [], CLOCK.now().mono_s
        for killed in (True, False):
            with rig.at_terminal("calibrate", "alk") as screen:
                to_the_runs(screen)
                begin_run(screen, 1)
                rig.wait_for_run("alk")
                if killed:
                    screen.child.kill()
                else:
                    screen.hang_up()
                screen.child.wait(10.0)
            wait_until(lambda: not rig.on, "the run goes on to its end")
            ran_ml.append(rig.last_ran_ml("alk"))
            assert rig.ask("status")["channels"]["alk"]["waiting_for"] == "end of the session by hand"
            rig.fill("alk")
        # A third, who timed the runs, can go on at once; and the other channels have gone on.
        assert rig.ask("calibrate", "alk", *TRUE_RUNS)["accepted"] is True
        rig.wait_for_doses(1, "ca", "mg")
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))
        rows = rows_of(rig.state)
    runs = [row for row in rows if row.kind == "reserved" and row.body["purpose"] == "calibration"]
    ended = [row for run in runs for row in rows if row.kind == "settled" and row.reservation == run.seq]
    assert [row.body["outcome"] for row in ended] == ["given", "given"]
    assert [row.body["given_ul"] for row in ended] == pytest.approx([ml * 1000 for ml in ran_ml], abs=11)
    # Nothing of alkalinity went into the tank while its outlet hung over the cup.
    first_s = min(row.mono_s for row in rows if row.channel == "alk" and row.mono_s > from_s and row.kind == "reserved")
    later = [row for row in rows if row.kind == "reserved" and row.channel == "alk" and row.mono_s >= first_s]
    assert [row.body["into"] for row in later] == ["cup"] * 4


def test_a_daemon_that_is_killed_in_the_middle_of_a_test_run_books_it_and_says_so(tmp_path: Path) -> None:
    with Busy(tmp_path) as rig:
        rig.start()
        rig.wait_for_doses(1, "alk")
        with rig.at_terminal("calibrate", "alk") as screen:
            to_the_runs(screen)
            begin_run(screen, 1)
            rig.wait_for_run("alk")
            rig.kill()
            screen.read_until("over the tank again")
            assert "hung up before it had answered" in " ".join(screen.said.split())
            screen.type("\n")
            assert screen.status() != 0
        assert "Traceback" not in screen.said
        rig.wait_for_doses(2, "ca", "mg")
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))
        rows = rows_of(rig.state)
    [last] = [row for row in rows if row.kind == "reserved" and row.body["purpose"] == "calibration"]
    [settled] = [row for row in rows if row.kind == "settled" and row.reservation == last.seq]
    assert settled.body["outcome"] == "unknown"


@pytest.mark.campaign
def test_what_was_measured_on_the_old_tubing_is_no_calibration_of_the_new(tmp_path: Path) -> None:
    """One person calibrates, and another books new tubing before the last figure is typed."""
    with Busy(tmp_path) as rig:
        rig.start()
        rig.wait_for_doses(1, "alk")
        with rig.at_terminal("calibrate", "alk") as screen:
            calibrated_by_hand(rig, "alk", screen, before_last=lambda: rig.ask("retube", "alk"))
            assert screen.status() == 2
        assert "head tubing was changed after some of these runs" in " ".join(screen.said.split())
        assert rig.ask("status")["channels"]["alk"]["waiting_for"] == "a calibration"
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))


@pytest.mark.campaign
def test_two_at_once_calibrate_two_channels_while_a_third_gets_new_tubing_and_is_refilled(tmp_path: Path) -> None:
    with Busy(tmp_path) as rig:
        rig.start()
        rig.wait_for_doses(1, *CHANNELS)
        rig.fill("mg")
        with persons(rig, "alk", "mg") as screens, ThreadPoolExecutor(2) as pool:
            each = [
                pool.submit(calibrated_by_hand, rig, name, screen)
                for name, screen in zip(("alk", "mg"), screens, strict=True)
            ]
            rig.wait_for_run("mg")
            assert rig.ask("retube", "ca")["ok"] is True
            assert rig.ask("refill", "ca", "--to", "1.2 L", "--found", "1 L")["ok"] is True
            assert rig.ask("calibrate", "ca", *TRUE_RUNS)["accepted"] is True
            for one in each:
                one.result(120.0)
            assert [screen.status() for screen in screens] == [0, 0], [screen.said for screen in screens]
        flows = {name: of["calibration"] for name, of in rig.ask("status")["channels"].items()}
        for name in CHANNELS:
            assert flows[name]["flow_ml_per_min"] == pytest.approx(30.0, rel=0.01), name
        rig.wait_for_doses(2, *CHANNELS)
        assert (flows["alk"]["source"], flows["mg"]["source"], flows["ca"]["source"]) == (
            "measured",
            "measured",
            "declared",
        )
        rig.end()
        calm(judge(rig, dosed=("ca",), measured=0.002))
        late_s = lateness_s(rows_of(rig.state), "ca")
    # Test runs of two other heads are on for up to 8 s each, a second apart.
    assert max(late_s) < 30.0, late_s


@pytest.mark.campaign
def test_two_at_once_calibrate_the_same_channel_and_every_run_of_both_is_booked(tmp_path: Path) -> None:
    """They take turns at its pump; whoever is told that it is on asks again. What both drew leaves too little for a
    whole set of either, so one or both are refused, in words."""
    with Busy(tmp_path) as rig:
        rig.start()
        rig.wait_for_doses(1, "alk")
        assert rig.ask("refill", "alk", "--to", "1025 mL", "--found", "1011 mL")["ok"] is True
        with persons(rig, "alk", "alk") as screens:
            for screen in screens:
                to_the_runs(screen)
            for screen in screens:
                begin_run(screen, 1)
            for screen in screens:
                patiently(screen, "What was measured")
                screen.child.kill()
        rig.wait_for_doses(2, "ca")
        rig.end()
        calm(judge(rig, dosed=("ca", "mg")))
        rows = rows_of(rig.state)
    runs = [row for row in rows if row.kind == "reserved" and row.body["into"] == "cup"]
    assert [row.body["purpose"] for row in runs] == ["prime", "prime", "calibration", "calibration"]


@pytest.mark.campaign
def test_a_daemon_that_is_killed_again_and_again_under_a_storm_books_every_microlitre(tmp_path: Path) -> None:
    """Clients of a daemon that dies are told so, in words; whoever was told that it is booked finds it booked."""
    random = Random(1)
    with Busy(tmp_path) as rig:
        rig.start()
        accepted = 0
        before = booked(rig, "calibrated"), booked(rig, "refilled")
        for _ in range(6):
            rig.wait_for_doses(1, "ca")
            clients = [
                (each, rig.client(*each))
                for each in (
                    ("calibrate", "ca", *TRUE_RUNS),
                    ("refill", "mg", "--to", "1200 mL", "--found", "1100 mL"),
                    ("prime", "alk", "1 mL", "--into", "cup"),
                    ("dose", "mg", "0.5 mL"),
                )
            ]
            CLOCK.wait_until_mono_s(CLOCK.now().mono_s + random.uniform(0.3, 1.5))
            rig.kill()
            told = answers(clients)
            accepted += sum(one.status == 0 for one in told[:2])
        now = booked(rig, "calibrated"), booked(rig, "refilled")
        assert sum(now) - sum(before) >= accepted
        rig.end()
        calm(judge(rig, dosed=()))
