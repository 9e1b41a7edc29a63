"""The real daemon on bench pins, with switches in a file that is edited while it runs."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.child import CALM, ROOT, Rig, wait_until

INPUTS = """\
inputs:
  circulation: {gpio: 6, runs_when: closed}
  leak: {gpio: 13, wet_when: closed}
"""
PLAN = CALM + INPUTS


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path, PLAN) as one:
        one.start()
        wait_until(lambda: one.ask("status")["inputs"].get("circulation") == "flow", "the flow is known")
        yield one


def say_inputs(rig: Rig, **closed: str) -> None:
    beside = rig.state / "inputs.new"
    beside.write_text(json.dumps(closed), encoding="utf-8")
    os.replace(beside, rig.state / "inputs.json")


def long_run(rig: Rig) -> subprocess.Popen[str]:
    prime = subprocess.Popen(
        rig.command("prime", "alk", "20 mL", "--into", "cup", "--json"),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    wait_until(lambda: rig.on, "the pump runs")
    return prime


def alarms(rig: Rig) -> dict[str, dict[str, Any]]:
    return {one["kind"]: one for one in rig.ask("status")["alarms"]}


def test_a_leak_ends_the_run_holds_the_rig_and_only_a_person_ends_it(rig: Rig) -> None:
    prime = long_run(rig)
    say_inputs(rig, leak="closed")
    wait_until(lambda: not rig.on, "the pump is off", 5.0)
    said, _ = prime.communicate(timeout=30)
    assert json.loads(said)["outcome"] == "partial"
    wait_until(lambda: bool(rig.ask("status")["held"]), "it is booked")
    assert rig.ask("status")["held_reason"] == "the leak sensor (GPIO 13) is wet"
    refused = rig.say("release")
    assert refused.returncode == 2
    assert "would be held again at once" in refused.stderr
    say_inputs(rig, leak="open")
    wait_until(lambda: rig.ask("status")["inputs"]["leak"] == "dry", "it is dry")
    assert rig.ask("status")["held"] is True
    assert rig.say("release").returncode == 0
    assert rig.ask("status")["held"] is False


def test_still_water_ends_the_run_and_refuses_the_tank_alone(rig: Rig) -> None:
    prime = long_run(rig)
    say_inputs(rig, circulation="open")
    wait_until(lambda: not rig.on, "the pump is off", 5.0)
    prime.communicate(timeout=30)
    assert "no-circulation" in alarms(rig)
    refused = rig.say("dose", "alk", "0.1 mL")
    assert refused.returncode == 2
    assert "no flow in the tank is seen" in refused.stderr
    assert rig.ask("prime", "alk", "0.1 mL", "--into", "cup")["outcome"] == "given"
    say_inputs(rig, circulation="closed")
    wait_until(lambda: "no-circulation" not in alarms(rig), "it flows again")
    assert rig.ask("status")["held"] is False
    kinds = [(one["kind"], one["reason"]) for one in rig.ask("history")["entries"]]
    assert ("switched", "circulation: no flow") in kinds


def test_a_file_that_cannot_be_read_holds_the_rig(rig: Rig) -> None:
    (rig.state / "inputs.json").write_text("{", encoding="utf-8")
    wait_until(lambda: bool(rig.ask("status")["held"]), "it is held")
    assert {"held", "no-circulation", "input-unreadable"} <= alarms(rig).keys()


def test_an_input_that_a_reload_adds_or_takes_out_is_heeded_at_once(rig: Rig) -> None:
    say_inputs(rig, leak="closed")
    wait_until(lambda: bool(rig.ask("status")["held"]), "it is held")
    rig.plan_file.write_text(CALM, encoding="utf-8")
    assert rig.say("reload", "--yes").returncode == 0
    wait_until(lambda: rig.ask("status")["inputs"] == {}, "nothing is watched")
    assert rig.say("release").returncode == 0
    rig.plan_file.write_text(PLAN, encoding="utf-8")
    assert rig.say("reload").returncode == 0
    wait_until(lambda: bool(rig.ask("status")["held"]), "it is held again")


def test_a_refill_of_the_running_rig_and_of_the_stopped_one(rig: Rig) -> None:
    told = rig.ask("refill", "alk", "--to", "900 L", "--found", "800 L")
    assert (told["expected_ml"], told["found_ml"], told["left_ml"]) == (1e6, 8e5, 9e5)
    assert rig.ask("status")["channels"]["alk"]["reservoir"]["left_ml"] == 9e5
    assert rig.stop() == 0
    assert rig.ask("refill", "alk", "--to", "1000 L")["left_ml"] == 1e6
    rig.start()
    assert rig.ask("status")["channels"]["alk"]["reservoir"]["left_ml"] == 1e6
