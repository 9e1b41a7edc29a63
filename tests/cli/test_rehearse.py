"""`dosingd rehearse` as a keeper and as a program meet it."""

from __future__ import annotations

import importlib
import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from dosingd.rehearsal import Report
from tests.cli.running import LAGOON, ROOT, altered, say

rehearse_verb = importlib.import_module("dosingd.cli.rehearse")
Capture = pytest.CaptureFixture[str]
WEEK = ("rehearse", LAGOON, "--days", "7", "--start", "2027-03-25")


def test_a_healthy_week_gives_all_of_its_plan(capsys: Capture) -> None:
    data = say(capsys, *WEEK, "--json").data
    assert [day["date"] for day in data["days"]] == [f"2027-03-{day}" for day in range(25, 32)]
    assert data["alarms"] == []
    for day in data["days"]:
        for channel in day["channels"].values():
            assert channel["given_ul"] == channel["planned_ul"]
            assert channel["refused"] == channel["missed"] == 0
    for name, channel in data["channels"].items():
        assert channel["given_ul"] == sum(day["channels"][name]["given_ul"] for day in data["days"])
        assert channel["worst_24h_ul"] <= channel["day_limit_ul"]
    assert data["channels"]["alk"]["reservoir_left_ml"] == pytest.approx(
        2000 - data["channels"]["alk"]["given_ul"] / 1000
    )


def test_a_new_ledger_begins_at_zero_and_says_so(capsys: Capture) -> None:
    said = say(capsys, *WEEK, "--new", "--json")
    assert said.status == 0
    first, second = said.data["days"][0]["channels"]["alk"], said.data["days"][1]["channels"]["alk"]
    assert first["refused"] >= 1
    assert first["given_ul"] < first["planned_ul"]
    assert second["given_ul"] == second["planned_ul"]
    assert {"kind", "channel", "since", "text", "next_step"} <= set(said.data["alarms"][0])
    assert "refused" in say(capsys, *WEEK, "--new").out


def test_it_reads_at_80_columns_and_says_that_all_went_well(capsys: Capture) -> None:
    said = say(capsys, *WEEK)
    assert said.status == 0
    assert max(map(len, said.out.splitlines())) <= 80
    assert "Nothing refused, nothing missed, no alarm." in said.out
    assert "2027-03-28" in said.out


def test_the_same_seed_gives_the_same_week(capsys: Capture) -> None:
    weeks = [say(capsys, *WEEK, "--seed", seed, "--json").out for seed in ("4", "4", "5")]
    assert weeks[0] == weeks[1] != weeks[2]


def test_a_bar_on_a_terminal_leaves_standard_output_to_the_answer() -> None:
    ours, terminal = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "dosingd", *WEEK, "--json"],
        cwd=ROOT,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
        stdout=subprocess.PIPE,
        stderr=terminal,
    ) as child:
        out, _ = child.communicate(timeout=60)
    os.close(terminal)
    shown = os.read(ours, 100_000)
    os.close(ours)
    assert b"rehearsing" in shown
    assert len(json.loads(out)["days"]) == 7


def test_no_bar_where_there_is_no_terminal(capsys: Capture) -> None:
    assert "rehearsing" not in say(capsys, *WEEK).err


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ("day: 115 mL", "day: 75 mL", "channels.alk.daily"),  # shows in the plan alone
        ("[alk, ca], gap: 20 min", "[alk, ca], gap: 40 min", "channels"),  # shows when the days are laid
    ],
)
def test_a_plan_with_faults_is_not_acted_on(old: str, new: str, path: str, tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [(old, new)])
    state = tmp_path / "state"
    for verb in (
        ["rehearse", plan],
        ["day", plan, "--date", "2027-06-01"],
        ["init", "--plan", plan, "--state", str(state)],
    ):
        said = say(capsys, *verb, "--json")
        assert said.status == 2
        assert said.data["error"]["code"] == "plan"
        assert re.match(rf"{re.escape(plan)}:\d+:\d+: {path}: ", said.data["error"]["message"])
    assert not state.exists()


def test_a_rehearsal_that_passed_a_limit_says_so(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    real = rehearse_verb.live_through

    def leaky(*arguments: Any, **named: Any) -> Report:
        report: Report = real(*arguments, **named)
        past = {name: evolve(each, worst_24h_ul=each.day_limit_ul + 1) for name, each in report.channels.items()}
        leaked: Report = evolve(report, channels=past)
        return leaked

    monkeypatch.setattr(rehearse_verb, "live_through", leaky)
    assert "PAST ITS LIMIT: alk, ca, mg" in say(capsys, *WEEK).out
