"""`dosingd check` as a keeper and as a program meet it."""

from __future__ import annotations

import os
import re
from importlib import import_module
from pathlib import Path

import pytest

from tests.cli.running import LAGOON, SMALLEST, altered, say

Capture = pytest.CaptureFixture[str]


def test_the_example_plan_is_sound_and_its_figures_agree(capsys: Capture) -> None:
    data = say(capsys, "check", LAGOON, "--json").data
    assert data["ok"] is True
    assert data["faults"] == []
    alk, ca = data["channels"]["alk"], data["channels"]["ca"]
    assert alk["daily_change"] == {"value": pytest.approx(1.2), "unit": "dKH"}
    # 190 g of sodium carbonate (105.988 g/mol, IUPAC 2021) at 98.5 % in 2 L is 1.7657 eq/L; 1.2 dKH in 280 L is
    # 1.2 * 0.35665 * 280 = 119.83 meq, so 67.87 mL of it. A pump of 15 mL/min gives 26.49 meq a minute, 0.265 dKH.
    assert alk["daily_ml"] == pytest.approx(67.87, abs=0.01)
    assert alk["per_minute_stuck_on"] == pytest.approx(0.2652, abs=0.0005)
    # Balanced: 119.83 / 2 mmol of calcium (40.078 g/mol) in 280 L.
    assert ca["daily_change"] == {"value": pytest.approx(119.83 / 2 * 40.078 / 280, abs=0.001), "unit": "mg/L"}
    assert alk["day_limit_ml"] == 115
    assert alk["daily_ml"] < alk["smallest_day_limit_ml"] <= 115


def test_the_keys_of_the_answer_are_those_that_programs_rely_on(capsys: Capture) -> None:
    data = say(capsys, "check", LAGOON, "--json").data
    assert {"ok", "faults", "warnings", "channels"} <= set(data)
    assert all(set(warning) == {"line", "column", "path", "message"} for warning in data["warnings"])
    for channel in data["channels"].values():
        wanted = {"daily_ml", "daily_change", "day_limit_ml", "smallest_day_limit_ml", "per_minute_stuck_on"}
        assert wanted <= set(channel)


def test_every_fault_comes_at_once_with_its_line(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("doses: 24", "dosis: 24"), ("water: 280 L", "water: 280")])
    said = say(capsys, "check", plan)
    assert (said.status, said.out) == (2, "")
    assert re.search(rf"^{re.escape(plan)}:7:10: tank.water: ", said.err, re.M)
    assert re.search(rf"^{re.escape(plan)}:33:5: channels.alk.dosis: .*Did you mean", said.err, re.M)
    assert f"Mend the file, then: dosingd check {plan}" in said.err
    data = say(capsys, "check", plan, "--json").data
    assert data["ok"] is False
    assert {fault["path"] for fault in data["faults"]} >= {"tank.water", "channels.alk.dosis"}
    assert all(fault["line"] >= 1 and fault["column"] >= 1 for fault in data["faults"])


def test_a_fault_that_only_the_days_show_is_refused_with_the_figures_there_are(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("{between: [alk, ca], gap: 20 min}", "{between: [alk, ca], gap: 40 min}")])
    said = say(capsys, "check", plan, "--json")
    assert said.status == 2
    assert said.data["ok"] is False
    assert len(said.data["faults"]) == 1
    assert "gap" in said.data["faults"][0]["message"]
    assert said.data["channels"]["alk"]["daily_ml"] == pytest.approx(67.87, abs=0.01)
    assert said.data["channels"]["alk"]["smallest_day_limit_ml"] is None
    in_words = say(capsys, "check", plan)
    assert (in_words.status, in_words.out) == (2, "")
    assert re.search(rf"^{re.escape(plan)}:\d+:\d+: channels", in_words.err, re.M)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("missing", "there is no such file"),
        ("directory", "this is a directory, not a plan"),
        ("pipe", "this is a pipe, a socket or a device, not a plan"),
        ("device", "this is a pipe, a socket or a device, not a plan"),
        ("unreadable", "read"),
        ("binary", "UTF-8"),
        ("empty", "empty"),
        ("huge", "longer than 1 MB"),
        ("null", "plan.yaml:1:"),
    ],
)
def test_a_file_that_is_no_plan_is_refused_in_words(kind: str, words: str, tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "plan.yaml"
    match kind:
        case "directory":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "device":
            path = Path("/dev/zero")
        case "unreadable":
            path.write_text("rig: a", encoding="utf-8")
            path.chmod(0)
            if os.access(path, os.R_OK):  # root reads everything: ask for what even root may not
                path = Path("/proc/self/mem")
        case "binary":
            path.write_bytes(b"\xff\xfe\x00rig: lagoon")
        case "empty":
            path.write_bytes(b"")
        case "huge":
            path.write_bytes(b"# \n" * 400_000)
        case "null":
            path.write_bytes(b"rig: la\x00goon\n")
    said = say(capsys, "check", str(path))
    assert (said.status, said.out) == (2, "")
    assert str(path) in said.err
    assert words in said.err
    in_json = say(capsys, "check", str(path), "--json")
    assert in_json.status == 2
    assert in_json.data["ok"] is False
    assert len(in_json.data["faults"]) == 1
    for verb in (["day", "--date", "2027-03-28"], ["rehearse"]):
        other = say(capsys, *verb, str(path), "--json")
        assert other.status == 2
        assert other.data["error"]["code"] == "plan"


def test_what_nothing_acts_on_yet_is_warned_of_by_check_day_and_rehearse(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_module("dosingd.checking.warnings"), "NOT_ACTED_ON_YET", (("alarm_output", "no lamp"),))
    plan = altered(tmp_path / "plan.yaml", [("\nquiet:", "\nalarm_output: {gpio: 26}\n\nquiet:")])
    for verb in (["check"], ["day", "--date", "2027-03-28"], ["rehearse", "--days", "1"]):
        said = say(capsys, *verb, plan)
        assert said.status == 0
        assert re.search(r"warning: alarm_output: not acted on yet", said.err)


def test_it_reads_at_80_columns(capsys: Capture) -> None:
    for plan in (LAGOON, SMALLEST):
        said = say(capsys, "check", plan)
        assert said.status == 0
        assert max(map(len, said.out.replace(plan, "plan.yaml").splitlines())) <= 80
        assert "alkalinity has fallen by 1.5 dKH after about" in said.out


# -- beside a ledger -----------------------------------------------------------------------------------------


def test_with_a_ledger_it_says_what_the_plan_would_end_and_what_does_not_fit(tmp_path: Path, capsys: Capture) -> None:
    state = ("--state", str(tmp_path / "rig"))
    assert say(capsys, "check", LAGOON, "--json", *state).data["ledger"] == [], "there is none"
    assert say(capsys, "init", "--bench", "--plan", LAGOON, *state).status == 0
    assert say(capsys, "check", LAGOON, "--json", *state).data["ledger"] == []
    changed = altered(tmp_path / "plan.yaml", [("{holds: 2 L", "{holds: 1.5 L"), ("line: 3.5 mL", "line: 4 mL")])
    assert say(capsys, "check", changed, "--json").data["ledger"] == []
    data = say(capsys, "check", changed, "--json", *state).data
    assert data["ok"] is True
    ends, small = data["ledger"]
    assert "its calibration is of another gpio, speed, nominal_flow or line than the plan names now, and ends" in ends
    assert "by the books 2000 mL were in its reservoir, and by the plan it holds 1500 mL" in small
    said = say(capsys, "check", changed, *state)
    assert said.status == 0
    assert "ends for good with this plan" in " ".join(said.err.split())


def test_a_ledger_that_cannot_be_read_is_no_fault_of_the_plan(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "ledger.sqlite").write_bytes(b"no ledger" * 100)
    data = say(capsys, "check", LAGOON, "--json", "--state", str(tmp_path)).data
    assert data["ok"] is True
    [told] = data["ledger"]
    assert told.startswith("The plan was not held against the ledger: ")
