"""The whole daemon as a person runs it: a real child process on bench pins, asked by the real command line."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
from collections.abc import Iterator
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from dosingd.daemon.opening import runnable_plan
from dosingd.errors import PlanRefused
from tests.daemon.child import CALM, CLOCK, ROOT, Rig, wait_until

LAGOON = (ROOT / "config" / "lagoon.yaml").read_text(encoding="utf-8")


@pytest.fixture
def calm(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path, CALM) as rig:
        yield rig.start()


@pytest.fixture
def brisk(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path) as rig:
        yield rig.start()


def outcomes(rig: Rig, channel: str | None = None) -> list[str]:
    entries: list[dict[str, Any]] = rig.ask("history")["entries"]
    return [one["outcome"] for one in entries if one["outcome"] and channel in (None, one["channel"])]


def test_it_doses_by_itself_and_every_pulse_has_its_row(brisk: Rig) -> None:
    brisk.wait_for_pulses(8)
    assert brisk.stop() == 0
    entries = brisk.ask("history")["entries"]
    given = [one for one in entries if one["outcome"] == "given"]
    ended = [one for one in brisk.pulses if not one["on"]]
    assert len(given) + sum(one["outcome"] == "partial" for one in entries) == len(ended)
    assert {one["channel"] for one in given} == {"alk", "ca"}
    assert [one["kind"] for one in entries][-1] == "stopped"


def test_what_status_says_is_what_the_ledger_holds(brisk: Rig) -> None:
    brisk.wait_for_pulses(6)
    told = brisk.ask("status")
    assert told["running"] is True
    assert told["rig"] == "brisk"
    assert told["clock"]["trusted"] is True
    assert told["channels"]["alk"]["given_today_ml"] > 0
    assert told["channels"]["alk"]["last_dose"]["outcome"] == "given"
    brisk.stop()
    later = brisk.ask("status")
    assert later["running"] is False
    assert later["channels"]["alk"]["given_today_ml"] >= told["channels"]["alk"]["given_today_ml"]


def test_a_second_daemon_is_refused_in_words_and_touches_nothing(brisk: Rig) -> None:
    before = len(brisk.pulses)
    second = brisk.say("run", "--bench")
    assert second.returncode == 2
    assert f"a daemon doses here already (process {brisk.pid})" in second.stderr
    brisk.wait_for_pulses(4)
    changes = brisk.pulses[before:]
    assert all(one["on"] != other["on"] for one, other in pairwise(changes))


def test_a_dose_by_hand_is_given_and_booked(calm: Rig) -> None:
    wait_until(lambda: calm.ask("status")["channels"]["alk"]["allowance_ml"] > 0.4, "an allowance was earned")
    told = calm.ask("dose", "alk", "0.1 mL")
    assert told["outcome"] == "given"
    assert told["asked_ul"] == 100
    assert told["given_ul"] >= 100
    on, off = calm.pulses
    assert (on["channel"], on["on"], off["on"]) == ("alk", True, False)
    # 0.1 mL at 30 mL/min is 0.2 s.
    assert off["boot_mono_s"] - on["boot_mono_s"] == pytest.approx(0.2, abs=0.1)
    assert outcomes(calm) == ["given"]


def test_hold_ends_a_run_at_once_and_outlives_a_restart(calm: Rig) -> None:
    prime = subprocess.Popen(
        calm.command("prime", "alk", "20 mL", "--into", "cup", "--json"),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    wait_until(lambda: calm.on, "the pump runs")
    status = calm.ask("status")
    assert status["pumping"] == "alk"
    held = calm.say("hold", "--why", "hands in the tank")
    assert held.returncode == 0
    assert not calm.on
    said, _ = prime.communicate(timeout=30)
    assert prime.returncode == 1
    assert '"outcome": "partial"' in said
    assert calm.say("dose", "alk", "0.1 mL").returncode == 2
    assert calm.stop() == 0
    calm.start()
    told = calm.ask("status")
    assert (told["held"], told["held_reason"]) == (True, "hands in the tank")
    assert calm.say("release").returncode == 0
    assert calm.ask("status")["held"] is False


def test_sigterm_in_mid_run_drops_the_pin_and_books_what_was_given(calm: Rig) -> None:
    prime = subprocess.Popen(
        calm.command("prime", "alk", "20 mL", "--into", "cup"), cwd=ROOT, stderr=subprocess.DEVNULL
    )
    wait_until(lambda: calm.on, "the pump runs")
    assert calm.stop() == 0
    assert prime.wait(30) == 1
    on, off = calm.pulses
    entry = next(one for one in calm.ask("history")["entries"] if one["outcome"])
    assert entry["outcome"] == "partial"
    # 30 mL/min is 500 µL/s; what is booked is never less than what ran.
    assert entry["given_ul"] >= (off["boot_mono_s"] - on["boot_mono_s"]) * 500
    assert entry["given_ul"] < 20_000


def test_a_pause_ends_a_run_and_ends_by_itself(brisk: Rig) -> None:
    brisk.wait_for_pulses(2)
    assert brisk.say("pause", "6 s").returncode == 0
    assert not brisk.on
    quiet_from = len(brisk.pulses)
    assert brisk.ask("status")["paused_until"] is not None
    wait_until(lambda: len(brisk.pulses) > quiet_from, "it doses again")
    assert brisk.ask("status")["paused_until"] is None
    assert "missed" in outcomes(brisk)


def test_a_plan_is_reloaded_and_one_that_raises_much_is_asked_about(calm: Rig) -> None:
    raised = CALM.replace("daily: 20 mL", "daily: 30 mL", 1)
    calm.plan_file.write_text(raised)
    asked = calm.say("reload")
    assert asked.returncode == 2
    assert "alk: from" in asked.stderr
    assert "dosingd reload --yes" in asked.stderr
    assert calm.ask("status")["channels"]["alk"]["planned_today_ml"] == 20.0
    assert calm.say("reload", "--yes").returncode == 0
    assert calm.ask("status")["channels"]["alk"]["planned_today_ml"] == 30.0


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (CALM.replace("doses: 2", "dosis: 2", 1), 'Did you mean "doses"'),
        (CALM[:300], "plan.yaml:"),
        ("", "plan.yaml:"),
    ],
)
def test_a_plan_with_a_fault_leaves_the_running_one_in_force(calm: Rig, text: str, word: str) -> None:
    calm.plan_file.write_text(text)
    refused = calm.say("reload")
    assert refused.returncode == 2
    assert word in refused.stderr
    assert "The running plan stays in force" in refused.stderr
    assert calm.ask("status")["channels"]["alk"]["planned_today_ml"] == 20.0


def test_a_run_without_a_ledger_is_refused_with_the_command_that_makes_one(tmp_path: Path) -> None:
    rig = Rig(tmp_path, made=False)
    refused = rig.say("run", "--bench")
    assert refused.returncode == 2
    assert "dosingd init" in refused.stderr
    assert not (rig.state / "ledger.sqlite").exists()


def test_pretend_pumps_refuse_a_real_ledger_and_real_ones_a_bench_s(tmp_path: Path) -> None:
    rig = Rig(tmp_path, made=False)
    assert rig.say("init").returncode == 0
    refused = rig.say("run", "--bench")
    assert refused.returncode == 2
    assert "a real rig's ledger" in refused.stderr
    (tmp_path / "other").mkdir()
    other = Rig(tmp_path / "other")
    refused = other.say("run")
    assert refused.returncode == 2
    assert "a bench's ledger" in refused.stderr


def test_a_plan_with_a_setting_that_nothing_acts_on_is_not_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_module("dosingd.checking.warnings"), "NOT_ACTED_ON_YET", (("alarm_output", "no lamp"),))
    with pytest.raises(PlanRefused, match="alarm_output: not acted on yet: no lamp"):
        runnable_plan((CALM + "alarm_output: {gpio: 26}\n").encode(), "plan.yaml")


def test_the_example_plan_runs_on_a_bench(tmp_path: Path) -> None:
    with Rig(tmp_path, LAGOON) as rig:
        rig.start()
        told = rig.ask("status")
        assert set(told["channels"]) == {"alk", "ca", "mg"}
        assert told["channels"]["alk"]["planned_today_ml"] == pytest.approx(67.86, abs=0.02)
        text = rig.say("status").stdout
        assert max(len(line) for line in text.splitlines()) <= 80
        assert rig.stop(signal.SIGINT) == 0


def test_the_service_manager_is_told_and_its_watchdog_fed(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, Rig(tmp_path, CALM) as rig:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30)
        rig.start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="1500000")
        heard: list[str] = []
        while heard.count("WATCHDOG=1") < 3:
            heard.append(manager.recv(4096).decode())
        assert "READY=1" in heard
        assert any(re.match(r"STATUS=0\.0 mL given today", one) for one in heard)
        assert rig.stop() == 0
        while heard[-1] != "STOPPING=1":
            heard.append(manager.recv(4096).decode())


def test_a_log_that_nobody_reads_delays_no_dose(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        reads, writes = os.pipe()
        os.set_blocking(writes, False)
        try:
            while True:
                os.write(writes, b"x" * 65536)
        except BlockingIOError:
            os.set_blocking(writes, True)
        rig.child = subprocess.Popen(rig.command("run", "--bench"), cwd=ROOT, stderr=writes)
        os.close(writes)
        rig.wait_for_pulses(8)
        assert rig.stop() == 0
        os.close(reads)
        assert outcomes(rig).count("given") >= 3


def test_a_client_that_is_stopped_in_mid_call_harms_nobody(brisk: Rig) -> None:
    client = subprocess.Popen(brisk.command("history"), cwd=ROOT, stdout=subprocess.DEVNULL)
    try:
        client.send_signal(signal.SIGSTOP)
        brisk.wait_for_pulses(4)
        assert brisk.say("status").returncode == 0
    finally:
        client.send_signal(signal.SIGCONT)
        client.wait(30)


def test_a_daemon_that_was_stopped_past_a_lease_is_held_when_it_goes_on(tmp_path: Path) -> None:
    # 20 mL at 30 mL/min is 40 s; a daemon that sleeps through the lease has left its line high for as long.
    with Rig(tmp_path, CALM) as rig:
        rig.start()
        prime = subprocess.Popen(
            rig.command("prime", "alk", "1 mL", "--into", "cup"), cwd=ROOT, stderr=subprocess.DEVNULL
        )
        wait_until(lambda: rig.on, "the pump runs")
        os.kill(rig.pid, signal.SIGSTOP)
        began = rig.pulses[-1]["boot_mono_s"]
        CLOCK.wait_until_mono_s(began + 2.0 + 0.5 + 1.5)
        os.kill(rig.pid, signal.SIGCONT)
        wait_until(lambda: not rig.on, "the line is low")
        wait_until(lambda: bool(rig.ask("status")["held"]), "the rig is held")
        prime.wait(30)
        entry = next(one for one in rig.ask("history")["entries"] if one["outcome"])
        lasted_s = rig.pulses[-1]["boot_mono_s"] - began
        assert entry["given_ul"] >= lasted_s * 500, "what went in past the lease is booked as well"


#: The daemon on pretend pins that hears of the stop helper all the same: that one drives real lines alone.
HEARS_OF_THE_STOP_HELPER = """
import importlib, sys
from attrs import evolve
from dosingd.cli import main
from dosingd.daemon import early
run = importlib.import_module("dosingd.cli.run")
run.first_steps = lambda state, clock, bench: evolve(
    early.first_steps(state, clock, bench=bench), helper=early._helper(state)
)
sys.exit(main())
"""


def test_a_run_that_was_killed_is_booked_until_the_stop_helper_drove_its_line_low(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Rig(tmp_path, CALM) as rig:
        rig.start()
        prime = subprocess.Popen(
            rig.command("prime", "alk", "1 mL", "--into", "cup"), cwd=ROOT, stderr=subprocess.DEVNULL
        )
        wait_until(lambda: rig.on, "the pump runs")
        rig.stop(signal.SIGKILL)
        assert prime.wait(30) == 1
        now = CLOCK.now()
        word = {"boot_id": now.boot_id, "boot_mono_s": now.mono_s, "wall_at": "", "pid": 1, "lines": [17], "failed": []}
        (rig.state / "pins-off.json").write_text(json.dumps(word), encoding="utf-8")
        wait_until(lambda: CLOCK.now().mono_s > now.mono_s + 4.0, "twice as long passes as the run takes")
        command = rig.command("run", "--bench")
        command[1:3] = ["-c", HEARS_OF_THE_STOP_HELPER]
        with monkeypatch.context() as patched:
            patched.setattr(rig, "command", lambda *_: command)
            rig.start()
        entry = next(one for one in rig.ask("history")["entries"] if one["outcome"])
        assert entry["outcome"] == "unknown"
        # 30 mL/min. Until this start it would be 2 mL at least, for the 4 s.
        [on, _] = rig.pulses
        assert entry["given_ul"] >= (now.mono_s - on["boot_mono_s"]) * 500
        assert entry["given_ul"] < 2_000


def test_a_line_left_on_by_a_kill_is_driven_low_at_the_next_start(tmp_path: Path) -> None:
    with Rig(tmp_path, CALM) as rig:
        rig.start()
        prime = subprocess.Popen(
            rig.command("prime", "alk", "20 mL", "--into", "cup"), cwd=ROOT, stderr=subprocess.DEVNULL
        )
        wait_until(lambda: rig.on, "the pump runs")
        rig.stop(signal.SIGKILL)
        assert rig.on, "a board keeps the level of a line whose process is gone"
        assert prime.wait(30) == 1
        rig.start()
        wait_until(lambda: not rig.on, "the line is low", 1.0)
        on, off = rig.pulses
        entry = next(one for one in rig.ask("history")["entries"] if one["outcome"])
        assert entry["outcome"] == "unknown"
        assert entry["given_ul"] >= (off["boot_mono_s"] - on["boot_mono_s"]) * 500
        assert "alk: its line was still on; it was driven low at this start." in rig.log


def test_a_stop_key_ends_the_daemon_in_order_instead_of_leaving_a_pump_on(calm: Rig) -> None:
    prime = subprocess.Popen(
        calm.command("prime", "alk", "20 mL", "--into", "cup"), cwd=ROOT, stderr=subprocess.DEVNULL
    )
    wait_until(lambda: calm.on, "the pump runs")
    assert calm.stop(signal.SIGTSTP) == 0  # Ctrl-Z
    assert not calm.on
    assert prime.wait(30) == 1
    assert "stopped: by SIGTSTP" in calm.log


def test_what_was_ignored_at_the_start_stays_ignored(tmp_path: Path) -> None:
    with Rig(tmp_path, CALM) as rig:
        before = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup does; a child inherits it
        try:
            rig.start()
        finally:
            signal.signal(signal.SIGHUP, before)
        assert rig.child is not None
        rig.child.send_signal(signal.SIGHUP)
        rig.child.send_signal(signal.SIGTTOU)
        assert rig.ask("status")["running"] is True
        assert rig.stop() == 0
