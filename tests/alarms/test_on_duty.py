"""The turn thread's alarms: what it adds to the books', what the log and the lamp hear, and what a restart keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dosingd.alarms import Alarm, Kind
from dosingd.duty import SESSION_S
from dosingd.errors import PlanRefused
from dosingd.ownalarms import NO_BROKER_S
from dosingd.records import Held, Into, Refilled
from dosingd.requests import Answer, Hold, Pause, Prime, Release, Reload, Resume, Suspend
from dosingd.reservoir import filled
from dosingd.standing import ALARMS_NAME
from tests.builders import ALK, plan
from tests.daemon.manned import Manned

PLAN = plan(ALK)
MIN = 60.0


def stands(of: Manned) -> dict[Kind, Alarm]:
    return {alarm.kind: alarm for alarm in of.state().alarms}


def told(of: Manned, kind: Kind) -> list[str]:
    """The log's lines about an alarm, each to its first comma."""
    return [text.partition(",")[0] for _, text in of.said if f", {kind}" in text]


def test_an_alarm_has_one_line_when_raised_repeated_and_ended_and_is_published_as_over() -> None:
    with Manned(PLAN) as of:
        assert of.ask(Hold("hands in the tank")).status == 0
        of.live(2 * MIN)
        assert told(of, Kind.HELD) == ["ALARM"]
        since = stands(of)[Kind.HELD].since
        of.live(61 * MIN)
        assert told(of, Kind.HELD) == ["ALARM", "ALARM still"]
        assert stands(of)[Kind.HELD].since == since
        assert of.ask(Release(False)).status == 0
        of.live(MIN)
        assert told(of, Kind.HELD) == ["ALARM", "ALARM still", "alarm over"]
        assert Kind.HELD not in stands(of)
        assert Kind.HELD in {alarm.kind for alarm in of.state().ended}


def test_since_does_not_move_with_each_state() -> None:
    with Manned(plan(ALK), full=True) as of:
        of.write(Refilled("alk", 150_000, None, "soda", {"alkalinity": 1.0}, 0))
        of.live(MIN)
        since = stands(of)[Kind.RESERVOIR_LOW].since
        of.live(3 * 3600.0)
        low = stands(of)[Kind.RESERVOIR_LOW]
        assert low.since == since
        assert low.text.startswith("alk: 147 mL left"), "the text is the newest"


def test_a_broker_that_is_away_for_ten_minutes_is_told_until_it_is_back() -> None:
    with Manned(PLAN) as of:
        of.live(MIN)
        of.no_broker = "broker.lan:8883 does not answer."
        of.live(NO_BROKER_S - MIN)
        assert Kind.BROKER_UNREACHABLE not in stands(of)
        of.live(2 * MIN)
        alarm = stands(of)[Kind.BROKER_UNREACHABLE]
        assert alarm.text.startswith("No broker for 10 min: broker.lan:8883 does not answer. Doses go on")
        of.no_broker = None
        of.live(MIN)
        assert Kind.BROKER_UNREACHABLE not in stands(of)


def test_a_broker_that_flaps_never_becomes_an_alarm() -> None:
    with Manned(PLAN) as of:
        for _ in range(10):
            of.no_broker = "it closed the connection."
            of.live(5 * MIN)
            of.no_broker = None
            of.live(MIN)
        assert told(of, Kind.BROKER_UNREACHABLE) == []


@pytest.mark.parametrize(
    "refusal", [PlanRefused("plan.yaml:3:1: a fault\n1 fault."), Answer.refused("plan", "p: a fault")]
)
def test_a_plan_that_was_refused_is_told_until_a_reload_works(refusal: PlanRefused | Answer) -> None:
    with Manned(PLAN) as of:
        of.file = refusal
        assert of.ask(Reload(False)).status == 2
        of.settle()
        alarm = stands(of)[Kind.PLAN_REFUSED]
        assert "a fault" in alarm.text
        assert "the one before it stays in force" in alarm.text
        of.live(30 * MIN)
        assert Kind.PLAN_REFUSED in stands(of)
        of.file = PLAN
        assert of.ask(Reload(False)).status == 0
        of.settle()
        assert Kind.PLAN_REFUSED not in stands(of)


def test_the_end_of_a_pause_is_told_for_an_hour_and_one_that_a_person_ended_is_not() -> None:
    with Manned(PLAN) as of:
        of.ask(Pause(20 * MIN))
        of.live(19 * MIN)
        assert Kind.PAUSE_ENDED not in stands(of)
        of.live(2 * MIN)
        assert stands(of)[Kind.PAUSE_ENDED].text.startswith("The pause is over and the pumps run again.")
        of.live(60 * MIN)
        assert Kind.PAUSE_ENDED not in stands(of)
        of.ask(Pause(20 * MIN))
        of.ask(Pause(None))
        of.live(30 * MIN)
        assert Kind.PAUSE_ENDED not in stands(of)


def test_a_session_left_open_waits_for_the_next_run_by_hand_or_a_release() -> None:
    for answer in (Prime("alk", 1_000, Into.CUP), Release(False), Suspend("alk")):
        with Manned(PLAN) as of:
            of.ask(Suspend("alk"))
            of.live(SESSION_S + 2 * MIN)
            assert Kind.INPUT_WANTED in stands(of)
            of.live(12 * 3600.0)
            assert Kind.INPUT_WANTED in stands(of)
            told_back = of.ask(answer)
            assert told_back.status == 0
            if isinstance(answer, Release):
                assert told_back.data["message"] == "Answered: input-wanted alk."
            of.ask(Resume("alk"))
            of.live(MIN)
            assert Kind.INPUT_WANTED not in stands(of)


def test_a_release_with_nothing_to_release_changes_nothing() -> None:
    with Manned(PLAN) as of:
        assert of.ask(Release(False)).data["message"] == "The rig was not held; nothing changed."


def test_over_a_restart_what_waits_for_a_person_goes_on_waiting_and_is_not_raised_again(tmp_path: Path) -> None:
    memory = tmp_path / ALARMS_NAME
    with Manned(PLAN, memory=memory) as of:
        of.ask(Suspend("alk"))
        of.live(SESSION_S + 2 * MIN)
        since = stands(of)[Kind.INPUT_WANTED].since
    with Manned(PLAN, memory=memory) as of:
        of.live(MIN)
        assert stands(of)[Kind.INPUT_WANTED].since == since
        assert told(of, Kind.INPUT_WANTED) == []
        assert of.duty.calling.stands, "the lamp goes on calling"
        of.ask(Release(False))
        of.live(MIN)
        assert told(of, Kind.INPUT_WANTED) == ["alarm over"]


def test_a_broker_that_is_still_away_after_a_restart_is_not_told_as_over_meanwhile(tmp_path: Path) -> None:
    memory = tmp_path / ALARMS_NAME
    for _ in range(2):
        with Manned(PLAN, memory=memory) as of:
            of.no_broker = "broker.lan:8883 does not answer."
            of.live(3 * MIN)
            assert Kind.BROKER_UNREACHABLE not in stands(of)
    with Manned(PLAN, memory=memory) as of:
        of.no_broker = "broker.lan:8883 does not answer."
        of.live(NO_BROKER_S + MIN)
    again = Manned(PLAN, memory=memory)
    again.no_broker = "the first try goes on."
    with again as of:
        of.live(2 * MIN)
        assert Kind.BROKER_UNREACHABLE in stands(of)
        assert told(of, Kind.BROKER_UNREACHABLE) == []


@pytest.mark.parametrize("damage", [b"", b"{", b"\xff\x00", b'[{"kind": "held"}]', b"[" * 100_000])
def test_a_damaged_memory_is_a_fresh_start(damage: bytes, tmp_path: Path) -> None:
    memory = tmp_path / ALARMS_NAME
    memory.write_bytes(damage)
    with Manned(PLAN, memory=memory) as of:
        of.ask(Hold("a test"))
        of.live(MIN)
        assert Kind.HELD in stands(of)
    assert {one["kind"] for one in json.loads(memory.read_text())} == {"held", "reservoir-unknown"}


def test_a_memory_that_cannot_be_written_is_told_once_and_costs_no_dose(tmp_path: Path) -> None:
    with Manned(PLAN, memory=tmp_path / "nowhere" / ALARMS_NAME) as of:
        of.ask(Hold("a test"))
        of.ask(Release(False))
        of.ask(Hold("a test"))
        of.ask(Release(False))
        of.live(2 * 3600.0)
        assert len([text for _, text in of.said if "cannot be remembered" in text]) == 1
        assert len(of.rig.spans["alk"]) == 2


def test_the_memory_is_written_when_something_changed_and_not_with_each_state(tmp_path: Path) -> None:
    memory = tmp_path / ALARMS_NAME
    of = Manned(PLAN, memory=memory)
    of.rig.account.write(filled(PLAN, "alk"), of.clock.now())
    with of:
        of.live(MIN)
        assert not memory.exists()
        of.write(Held("a test."))
        of.live(MIN)
        first = memory.stat().st_mtime_ns
        of.live(20 * MIN)  # a dose would be missed at half past
        assert memory.stat().st_mtime_ns == first
