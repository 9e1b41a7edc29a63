"""`dosingd init` makes a ledger once and nothing else ever does; `dosingd history` shows its rows."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from dosingd.cli.history import text_of
from dosingd.cli.wishes import Wishes
from dosingd.telling import Entry
from tests.cli.running import LAGOON, say

Capture = pytest.CaptureFixture[str]


def test_a_bench_ledger_has_full_reservoirs_and_a_calibration(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    said = say(capsys, "init", "--plan", LAGOON, "--bench", "--state", state, "--json")
    assert said.status == 0
    assert said.data["ok"] is True
    assert Path(said.data["ledger"]).exists()
    entries = say(capsys, "history", "--state", state, "--json").data["entries"]
    assert [entry["seq"] for entry in entries] == list(range(1, len(entries) + 1))
    assert [entry["kind"] for entry in entries[:2]] == ["ledger_made", "plan_loaded"]
    assert {entry["channel"] for entry in entries if entry["kind"] == "refilled"} == {"alk", "ca", "mg"}
    assert {entry["channel"] for entry in entries if entry["kind"] == "calibrated"} == {"alk", "ca", "mg"}
    wanted = {"seq", "at", "kind", "channel", "slot", "asked_ul", "given_ul", "outcome", "reason"}
    assert all(set(entry) == wanted for entry in entries)
    assert all(datetime.fromisoformat(entry["at"]).tzinfo for entry in entries)


def test_a_real_ledger_begins_with_nothing_that_nobody_measured(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    assert say(capsys, "init", "--plan", LAGOON, "--state", state).status == 0
    kinds = [entry["kind"] for entry in say(capsys, "history", "--state", state, "--json").data["entries"]]
    assert kinds == ["ledger_made", "plan_loaded"]


def test_a_second_ledger_is_refused_and_the_first_left_alone(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    ledger = Path(say(capsys, "init", "--plan", LAGOON, "--state", state, "--json").data["ledger"])
    before = ledger.read_bytes()
    said = say(capsys, "init", "--plan", LAGOON, "--state", state, "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "ledger"
    assert ledger.read_bytes() == before


def test_a_ledger_that_was_lost_is_not_made_again(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    ledger = Path(say(capsys, "init", "--plan", LAGOON, "--state", state, "--json").data["ledger"])
    for left in ledger.parent.glob("ledger*"):
        left.unlink()
    assert say(capsys, "init", "--plan", LAGOON, "--state", state).status == 2
    assert not ledger.exists()


def test_no_ledger_is_made_for_a_plan_with_faults(tmp_path: Path, capsys: Capture) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text("rig: lagoon\n", encoding="utf-8")
    said = say(capsys, "init", "--plan", str(plan), "--state", str(tmp_path / "state"), "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "plan"
    assert not (tmp_path / "state").exists()


def test_a_place_where_nothing_can_be_written_is_said_in_words(tmp_path: Path, capsys: Capture) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    said = say(capsys, "init", "--plan", LAGOON, "--state", str(blocked / "state"))
    assert said.status in (1, 2)
    assert "Traceback" not in said.err
    assert "Traceback" not in said.out


def test_history_of_one_channel_and_since_a_time(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    say(capsys, "init", "--plan", LAGOON, "--bench", "--state", state)
    only = say(capsys, "history", "--state", state, "--json", "--channel", "ca").data["entries"]
    assert [entry["channel"] for entry in only] == ["ca", "ca"]
    assert say(capsys, "history", "--state", state, "--json", "--since", "2099-01-01").data["entries"] == []
    every = say(capsys, "history", "--state", state, "--json", "--since", "2020-01-01T00:00+02:00").data["entries"]
    assert len(every) == 9
    text = say(capsys, "history", "--state", state).out
    assert max(map(len, text.splitlines())) <= 80
    assert "refilled" in text
    assert say(capsys, "history", "--state", state, "--channel", "nobody").out == "No such rows.\n"


def test_without_a_ledger_history_says_how_to_make_one(tmp_path: Path, capsys: Capture) -> None:
    said = say(capsys, "history", "--state", str(tmp_path), "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "ledger"
    assert "dosingd init" in said.data["error"]["message"]


def test_the_state_directory_is_the_named_one_then_the_systems_then_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/dosingd:/var/lib/other")
    assert Wishes(state=Path("/tmp/here")).state_directory() == Path("/tmp/here")
    assert Wishes().state_directory() == Path("/var/lib/dosingd")
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", "/home/keeper/.state")
    assert Wishes().state_directory() == Path("/home/keeper/.state/dosingd")
    monkeypatch.setenv("XDG_STATE_HOME", "not/absolute")
    monkeypatch.setenv("HOME", "/home/keeper")
    assert Wishes().state_directory() == Path("/home/keeper/.local/state/dosingd")


@pytest.mark.parametrize(
    ("given_ul", "outcome", "shown"),
    [
        (120, "given", " 0.120 mL"),
        (121, "given", " 0.121 mL"),  # 0.5 µL in the millisecond that the clock rounds up by, and a whole µL
        (122, "given", "0.122 mL of 0.120 mL"),
        (119, "given", "0.119 mL of 0.120 mL"),
        (121, "unknown", "0.121 mL of 0.120 mL"),
    ],
)
def test_a_dose_shows_two_figures_only_where_its_run_does_not_explain_the_difference(
    given_ul: int, outcome: str, shown: str
) -> None:
    at = datetime(2027, 3, 28, 12, 0, tzinfo=UTC)
    asked = Entry(1, at, "reserved", "alk", "s", 120, None, None, "manual, 0.240 s")
    ended = Entry(2, at, "settled", "alk", "s", 120, given_ul, outcome, None)
    line = text_of([asked, ended]).splitlines()[-1]
    assert shown in line
    assert (" of " in line) is (" of " in shown)
    assert " of " in text_of([ended]) or given_ul == 120, "and both where the run is not known"
