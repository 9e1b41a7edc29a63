"""status: the snapshot as a program reads it, and as a person does; with the daemon and without."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from dosingd.agenda import Due
from dosingd.books import Books
from dosingd.cli.status import _doing, text_of
from dosingd.leases import PLAN_CHANGED
from dosingd.records import Calibrated, Held, NotGiven, Outcome, Paused, Purpose, Refilled, Released
from dosingd.state import rig_state
from dosingd.statusdata import status_data, status_data_without_plan
from dosingd.trust import Trust
from tests.builders import ALK, CA, START_AT, TODAY, Story, plan, reading
from tests.cli.running import LAGOON, say
from tests.control.callers import served

Capture = pytest.CaptureFixture[str]

KEYS = {"running", "rig", "held", "held_reason", "paused_until", "clock", "channels", "alarms"}
CHANNEL_KEYS = {
    "given_today_ml", "planned_today_ml", "allowance_ml", "next_dose_at", "last_dose", "waiting_for", "reservoir",
    "calibration",
}  # fmt: skip
RESERVOIR_KEYS = {"left_ml", "days_left", "stock", "batch"}
CALIBRATION_KEYS = {"flow_ml_per_min", "at", "runs", "interval95_percent", "due_at"}


def story() -> Story:
    """Half past noon in Lisbon's summer, 1 mL given an hour ago, reservoirs refilled, alk calibrated."""
    of = plan(ALK, CA, zone="Europe/Lisbon")
    told = Story(of).at(3600.0)
    told.tell(Refilled("alk", 1_000_000, None, "soda", {"alkalinity": 1.0}, 0))
    told.tell(Calibrated("alk", 100.0, 0.0, ((10.0, 1000.0), (20.0, 2000.0))))
    told.at(10 * 3600.0)
    told.settle(told.reserve("alk", 1_000, day=TODAY, slot="a", purpose=Purpose.SCHEDULED))
    return told.at(11 * 3600.0 + 1800.0)


def data_of(told: Story, running: bool = True, **more: Any) -> dict[str, Any]:
    due = Due("alk", 1_000, 10.0, "b", START_AT + timedelta(hours=12), TODAY)
    state = rig_state(
        told.plan,
        told.books,
        told.now,
        trust=Trust(True, "network", untrusted_since_mono_s=None),
        coming=[due],
        version="1.0",
        started_at=START_AT,
        **more,
    )
    return status_data(state, running)


def test_the_keys_are_those_that_programs_know() -> None:
    data = data_of(story())
    assert data.keys() >= KEYS
    assert data["clock"].keys() >= {"trusted", "wall", "source"}
    assert list(data["channels"]) == ["alk", "ca"]
    for each in data["channels"].values():
        assert each.keys() >= CHANNEL_KEYS
        assert each["reservoir"].keys() >= RESERVOIR_KEYS
        assert each["calibration"].keys() >= CALIBRATION_KEYS
    json.dumps(data, allow_nan=False)


def test_the_figures_are_the_books_own() -> None:
    data = data_of(story())
    assert (data["running"], data["rig"], data["held"], data["held_reason"]) == (True, "demo", False, None)
    assert data["clock"] == {"trusted": True, "wall": "2026-06-01T12:30:00+01:00", "source": "network"}
    alk = data["channels"]["alk"]
    assert (alk["given_today_ml"], alk["planned_today_ml"]) == (1.0, 24.0)
    assert alk["next_dose_at"] == "2026-06-01T13:00:00.000+01:00"
    assert alk["last_dose"]["at"] == "2026-06-01T11:00:00.000+01:00"
    assert (alk["last_dose"]["outcome"], alk["last_dose"]["given_ul"]) == ("given", 1000)
    assert alk["waiting_for"] is None
    # 999 mL, of which 50 are reserve, at 24 mL a day.
    assert alk["reservoir"]["left_ml"] == 999.0
    assert alk["reservoir"]["days_left"] == pytest.approx(949 / 24)
    assert alk["calibration"]["flow_ml_per_min"] == pytest.approx(6.0)
    assert (alk["calibration"]["at"], alk["calibration"]["runs"]) == ("2026-06-01T02:00:00+01:00", 2)
    ca = data["channels"]["ca"]
    assert (ca["next_dose_at"], ca["last_dose"], ca["reservoir"]["left_ml"], ca["reservoir"]["days_left"]) == (
        None,
    ) * 4
    assert (ca["calibration"]["source"], ca["calibration"]["runs"]) == ("bench", 0)


def test_a_held_and_a_paused_rig_say_so() -> None:
    held = story()
    held.tell(Held("a leak."))
    data = data_of(held)
    assert (data["held"], data["held_reason"]) == (True, "a leak.")
    assert data["alarms"][0]["kind"] == "held"
    assert data["alarms"][0].keys() == {"kind", "channel", "since", "text", "next_step"}
    assert {each["waiting_for"] for each in data["channels"].values()} == {"release"}
    paused = story()
    paused.tell(Paused(paused.books.proven_ms(paused.now) + 1_800_000, None))
    assert data_of(paused)["paused_until"] == "2026-06-01T13:00:00+01:00"
    held.tell(Released("a person"))
    assert data_of(held)["held"] is False


def test_without_a_daemon_every_channel_waits_for_one() -> None:
    data = data_of(story(), running=False)
    assert {each["waiting_for"] for each in data["channels"].values()} == {"a running daemon"}


def test_without_a_plan_the_ledger_says_what_it_knows() -> None:
    told = story()
    told.tell(Held("a leak."))
    data = status_data_without_plan(told.books, told.now)
    full = data_of(told)
    assert data.keys() == full.keys()
    assert data["channels"]["alk"].keys() == full["channels"]["alk"].keys()
    assert (data["rig"], data["held"], data["held_reason"], data["running"]) == ("demo", True, "a leak.", False)
    alk = data["channels"]["alk"]
    assert (alk["given_today_ml"], alk["planned_today_ml"], alk["allowance_ml"]) == (1.0, None, None)
    assert (alk["reservoir"]["left_ml"], alk["reservoir"]["stock"]) == (999.0, "soda")
    assert alk["last_dose"] == full["channels"]["alk"]["last_dose"]
    text_of(data)


def test_without_a_plan_and_a_ledger_nothing_is_known_and_nothing_is_made_up() -> None:
    data = status_data_without_plan(Books(), reading(0.0))
    assert (data["rig"], data["held"], data["paused_until"], data["channels"]) == (None, None, None, {})
    assert text_of(data).splitlines()[0] == "no rig known, 2026-06-01 00:00 UTC: no daemon runs, nothing is dosed."


# -- for a person --------------------------------------------------------------------------------------------


def test_a_person_reads_it_within_80_columns() -> None:
    text = text_of(data_of(story()))
    assert (
        text.splitlines()
        == [
            "demo, 2026-06-01 12:30 Europe/Lisbon: dosing as planned.",
            "",
            "channel    today   planned  may give    last dose   next    left   days",
            "alk      1.00 mL  24.00 mL  10.00 mL  11:00 given  13:00  999 mL  39.54",
            "ca      0.000 mL  24.00 mL  10.00 mL            -      -       -      -",
            "",
            "No alarm.",
        ]
        or max(map(len, text.splitlines())) <= 80
    )


@pytest.mark.parametrize(
    ("event", "first"),
    [
        (Held("a leak."), "HELD: a leak. Every pump is off until: dosingd release"),
        (Paused(11 * 3_600_000 + 1_800_000 + 900_000), "paused until 12:45, every pump is off."),
    ],
)
def test_what_stops_the_rig_stands_in_the_first_line(event: Any, first: str) -> None:
    told = story()
    told.tell(event)
    lines = text_of(data_of(told)).splitlines()
    assert first in " ".join(each.strip() for each in lines[:2])
    assert max(map(len, lines)) <= 80


def test_each_alarm_stands_there_with_its_next_step() -> None:
    told = story()
    told.tell(NotGiven("alk", Outcome.REFUSED, 1_000, "alk: its day limit leaves 0.50 mL now.", day=TODAY, slot="c"))
    lines = text_of(data_of(told)).splitlines()
    assert any(line.startswith("ALARM since 06-01 12:30: alk: 1 dose, 1.0 mL, refused") for line in lines)
    assert "  Next: dosingd history --channel alk" in lines
    assert "No alarm." not in lines
    assert max(map(len, lines)) <= 80


def test_what_one_channel_waits_for_and_what_all_wait_for() -> None:
    data = data_of(story(), sessions={"alk": 1.0})
    assert "alk waits for end of the session by hand." in text_of(data).splitlines()
    for each in data["channels"].values():
        each["waiting_for"] = "a trusted clock"
    assert text_of(data).splitlines()[0].endswith("it waits for a trusted clock.")
    data["pumping"] = "ca"
    assert text_of(data).splitlines()[0].endswith("ca is running.")


def test_many_channels_with_long_names_still_fit() -> None:
    data = data_of(story())
    alk = data["channels"]["alk"]
    data["channels"] = dict.fromkeys(("a" * 32, "b" * 32), alk)
    assert max(map(len, text_of(data).splitlines())) <= 80


# -- the verb ------------------------------------------------------------------------------------------------


def test_with_a_daemon_its_answer_is_the_object(tmp_path: Path, capsys: Capture) -> None:
    data = data_of(story())
    with served(tmp_path, status=data):
        in_json = say(capsys, "status", "--state", str(tmp_path), "--json")
        in_words = say(capsys, "status", "--state", str(tmp_path))
    assert in_json.status == in_words.status == 0
    assert in_json.data == json.loads(json.dumps(data), parse_float=lambda text: round(float(text), 6))
    assert in_words.out == text_of(data) + "\n"


def test_without_a_daemon_the_ledger_is_read_and_left_as_it_was(tmp_path: Path, capsys: Capture) -> None:
    state = tmp_path / "state"
    say(capsys, "init", "--plan", LAGOON, "--bench", "--state", str(state))
    before = (state / "ledger.sqlite").read_bytes()
    said = say(capsys, "status", "--plan", LAGOON, "--state", str(state), "--json")
    assert said.status == 0
    assert said.data["running"] is False
    assert (said.data["rig"], said.data["held"]) == ("lagoon", False)
    assert said.data["channels"]["alk"]["reservoir"]["left_ml"] == 2000.0
    assert said.data["channels"]["alk"]["planned_today_ml"] > 0
    assert said.data["clock"]["trusted"] is None
    assert f"dosingd run --plan {LAGOON} --state {state}" in said.err
    assert (state / "ledger.sqlite").read_bytes() == before


def test_without_a_daemon_and_a_plan_the_newest_plan_in_the_ledger_names_the_rig(
    tmp_path: Path, capsys: Capture
) -> None:
    state = tmp_path / "state"
    say(capsys, "init", "--plan", LAGOON, "--bench", "--state", str(state))
    for named in (str(tmp_path / "no.yaml"), str(_faulty(tmp_path))):
        said = say(capsys, "status", "--plan", named, "--state", str(state), "--json")
        assert said.status == 0
        assert said.data["rig"] == "lagoon"
        assert set(said.data["channels"]) == {"alk", "ca", "mg"}
        assert said.data["channels"]["alk"]["planned_today_ml"] is None
        assert "--plan FILE" in said.err


def _faulty(directory: Path) -> Path:
    plan_file = directory / "faulty.yaml"
    plan_file.write_text("rig: lagoon\n", encoding="utf-8")
    return plan_file


def test_without_a_ledger_it_says_how_to_make_one(tmp_path: Path, capsys: Capture) -> None:
    said = say(capsys, "status", "--plan", LAGOON, "--state", str(tmp_path), "--json")
    assert said.status == 0
    assert (said.data["running"], said.data["rig"], said.data["channels"]) == (False, "lagoon", {})
    assert "dosingd init" in said.err


def test_a_ledger_that_cannot_be_read_is_refused(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "ledger.sqlite").write_bytes(b"no ledger at all" * 1000)
    said = say(capsys, "status", "--plan", LAGOON, "--state", str(tmp_path), "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "ledger"


def test_times_carry_the_plans_offset(tmp_path: Path, capsys: Capture) -> None:
    data = data_of(story())
    with served(tmp_path, status=data):
        said = say(capsys, "status", "--state", str(tmp_path), "--json").data
    for at in (said["clock"]["wall"], said["started_at"], said["channels"]["alk"]["next_dose_at"]):
        assert datetime.fromisoformat(at).utcoffset() == timedelta(hours=1)


def test_a_figure_that_nobody_knows_is_null() -> None:
    state = rig_state(story().plan, story().books, story().now)
    blank = evolve(state, clock_trusted=None, started_at=None, version="")
    data = status_data(blank, running=False)
    assert (data["clock"]["trusted"], data["started_at"], data["version"]) == (None, None, None)


def test_what_the_switches_say_stands_below_the_channels() -> None:
    data = data_of(story(), inputs={"circulation": "flow", "float.alk": "not low"})
    assert "Inputs: circulation flow; float.alk not low." in text_of(data).splitlines()
    assert not any(line.startswith("Inputs") for line in text_of(data_of(story())).splitlines())


def test_a_rig_that_waits_for_a_word_about_its_plan_does_not_send_a_person_to_a_release_that_is_refused() -> None:
    data = {"held": True, "held_reason": f"hands in the tank; and besides: {PLAN_CHANGED}: alk: more"}
    told = _doing(data, START_AT, silent=False)
    assert told.startswith("HELD: hands in the tank; ")
    assert "dosingd reload --yes" in told
    assert "release" not in told
    assert _doing({**data, "held_reason": "hands"}, START_AT, silent=False).endswith("until: dosingd release")
