"""What is published: each topic and each key as README names them, worked out by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

from attrs import evolve

from dosingd.kept import LastDose
from dosingd.mqtt import DoseEvent, Message, alive_message, alive_topic, base, dose_message, messages
from dosingd.mqtt.outbox import REPUBLISH_S, Outbox
from dosingd.records import Outcome
from dosingd.state import CalibrationState, ReservoirState
from tests.mqtt.states import ZONE, alarm, channel, dose, state


def test_everything_of_a_rig_stands_below_its_name() -> None:
    assert base("lagoon") == "dosingd/lagoon"
    assert alive_topic("lagoon") == "dosingd/lagoon/alive"
    assert [message.topic for message in messages(state())] == [
        "dosingd/lagoon/rig",
        "dosingd/lagoon/channel/alk",
        "dosingd/lagoon/channel/ca",
    ]


def test_alive_is_retained() -> None:
    assert alive_message("lagoon", online=True) == Message("dosingd/lagoon/alive", "online", retain=True)
    assert alive_message("lagoon", online=False) == Message("dosingd/lagoon/alive", "offline", retain=True)


def test_the_rig() -> None:
    told = messages(
        state(
            held=True,
            held_reason="the pump of mg outlived its lease",
            paused_until_at=datetime(2026, 1, 15, 13, 0, tzinfo=UTC),
            alarms=(alarm(),),
        )
    )[0]
    assert told.retain is True
    assert json.loads(told.payload) == {
        "held": True,
        "held_reason": "the pump of mg outlived its lease",
        "paused_until": "2026-01-15T14:00:00+01:00",
        "clock_trusted": True,
        "plan_sha256": "ab" * 32,
        "version": "1.2.3",
        "started_at": "2026-01-15T00:00:00+01:00",
        "alarms": [
            {
                "kind": "reservoir-low",
                "channel": "alk",
                "since": "2026-01-15T11:00:00+01:00",
                "text": "alk: 412 mL left, 5 days",
                "next_step": "dosingd refill alk --to VOLUME",
            }
        ],
    }


def test_a_channel() -> None:
    told = messages(state())[1]
    assert told.retain is True
    assert json.loads(told.payload) == {
        "given_today_ml": 31.517,
        "planned_today_ml": 68.201,
        "allowance_ml": 12.345,
        "reservoir_left_ml": 1534.002,
        "reservoir_days": 21.03,
        "low": False,
        "next_dose_at": "2026-01-15T13:30:00.123+01:00",
        "last_dose_at": "2026-01-15T12:30:00.456+01:00",
        "flow_ml_per_min": 14.9,  # 248.3333 µL/s
        "calibration_due": None,
        "waiting_for": None,
    }


def test_what_is_unknown_is_null() -> None:
    unknown = channel(
        next_dose_at=None,
        last_dose=None,
        waiting_for="release",
        reservoir=ReservoirState(left_ul=None, days_left=None, low=None, stock="soda"),
    )
    rig, alk = (
        json.loads(told.payload)
        for told in messages(state(unknown, started_at=None, clock_trusted=None, version="", plan_sha256=""))
    )
    nulls = {"held_reason", "paused_until", "clock_trusted", "plan_sha256", "version", "started_at"}
    assert {key for key, value in rig.items() if value is None} == nulls
    nulls = {"reservoir_left_ml", "reservoir_days", "low", "next_dose_at", "last_dose_at", "calibration_due"}
    assert {key for key, value in alk.items() if value is None} == nulls
    assert alk["waiting_for"] == "release"


def test_a_figure_that_is_not_finite_is_unknown() -> None:
    endless = channel(
        reservoir=ReservoirState(left_ul=1, days_left=float("inf"), low=False, stock="soda"),
        calibration=CalibrationState(ul_per_s=float("nan"), at=None, runs=0, source="nominal"),
    )
    told = json.loads(messages(state(endless))[1].payload)
    assert told["reservoir_days"] is None
    assert told["flow_ml_per_min"] is None


def test_a_dose_that_was_missed_or_refused_does_not_pass_for_a_dose() -> None:
    for outcome, given_ul, shown in [
        (Outcome.GIVEN, 2841, True),
        (Outcome.PARTIAL, 900, True),
        (Outcome.UNKNOWN, 2900, True),
        (Outcome.REFUSED, 0, False),
        (Outcome.MISSED, 0, False),
    ]:
        last = LastDose(datetime(2026, 1, 15, 11, 30, tzinfo=UTC), outcome, 2841, given_ul)
        told = json.loads(messages(state(channel(last_dose=last)))[1].payload)
        assert (told["last_dose_at"] is not None) is shown, outcome


def test_a_dose() -> None:
    told = dose_message("lagoon", ZONE, dose(7))
    assert told.topic == "dosingd/lagoon/channel/alk/dose"
    assert told.retain is False
    assert json.loads(told.payload) == {
        "slot": "2026-01-15/alk/7",
        "due_at": "2026-01-15T12:30:00.000+01:00",
        "started_at": "2026-01-15T12:30:00.456+01:00",
        "outcome": "given",
        "asked_ul": 2841,
        "given_ul": 2841,
        "reason": "",
    }


def test_a_refused_dose_by_hand_has_no_slot_and_no_start() -> None:
    refused = DoseEvent("alk", None, None, None, Outcome.REFUSED, 4000, 0, "its allowance is 1.1 mL now")
    told = json.loads(dose_message("lagoon", ZONE, refused).payload)
    assert (told["slot"], told["due_at"], told["started_at"]) == (None, None, None)
    assert (told["outcome"], told["given_ul"], told["reason"]) == ("refused", 0, "its allowance is 1.1 mL now")


def test_the_offset_is_the_zones_at_that_instant() -> None:
    summer = channel(next_dose_at=datetime(2026, 7, 1, 12, tzinfo=UTC))
    assert json.loads(messages(state(summer))[1].payload)["next_dose_at"] == "2026-07-01T14:00:00.000+02:00"


def test_the_end_of_a_pause_does_not_tremble() -> None:
    for off_us in (-400_000, 0, 400_000):
        at = datetime(2026, 1, 15, 13, 0, tzinfo=UTC) + timedelta(microseconds=off_us)
        assert json.loads(messages(state(paused_until_at=at))[0].payload)["paused_until"] == "2026-01-15T14:00:00+01:00"


def test_words_from_a_command_line_that_are_no_text_can_still_be_sent() -> None:
    told = messages(state(held=True, held_reason="café µL \udcff"))[0]
    assert json.loads(told.payload.encode("utf-8"))["held_reason"] == "café µL ?"


def test_the_allowance_alone_is_no_news_and_anything_else_is() -> None:
    alk = channel()
    before = messages(state(alk))[1]
    creeping = messages(state(evolve(alk, allowance_ul=alk.allowance_ul + 40)))[1]
    assert creeping.payload != before.payload
    assert creeping.worth == before.worth
    for changed in (
        evolve(alk, given_today_ul=31_518),
        evolve(alk, planned_today_ul=1),
        evolve(alk, next_dose_at=None),
        evolve(alk, last_dose=None),
        evolve(alk, waiting_for="release"),
        evolve(alk, reservoir=evolve(alk.reservoir, left_ul=5)),
        evolve(alk, reservoir=evolve(alk.reservoir, days_left=5.0)),
        evolve(alk, reservoir=evolve(alk.reservoir, low=True)),
        evolve(alk, calibration=evolve(alk.calibration, ul_per_s=250.0)),
    ):
        assert messages(state(changed))[1].worth != before.worth, changed


def test_since_alone_is_no_news_and_anything_else_of_an_alarm_is() -> None:
    before = messages(state(alarms=(alarm(),)))[0]
    assert messages(state(alarms=(alarm(since=datetime(2026, 1, 15, 11, tzinfo=UTC)),)))[0].worth == before.worth
    for changed in (alarm(channel="ca"), alarm(text="alk: 5 mL left"), alarm(next_step="dosingd status")):
        assert messages(state(alarms=(changed,)))[0].worth != before.worth
    assert messages(state())[0].worth != before.worth


ONE = Message("a", "1", retain=True)
TWO = Message("a", "2", retain=True)
OTHER = Message("b", "1", retain=True)


def told(outbox: Outbox, mono_s: float) -> list[Message]:
    """What is due, all of it handed over."""
    due = outbox.due(mono_s)
    for message in due:
        outbox.told(message, mono_s)
    return due


def test_only_what_changed_is_told_and_all_of_it_once_a_minute() -> None:
    outbox = Outbox()
    outbox.want([ONE, OTHER])
    assert told(outbox, 0.0) == [ONE, OTHER]
    outbox.want([ONE, OTHER])
    assert told(outbox, 1.0) == []
    outbox.want([TWO, OTHER])
    assert told(outbox, 30.0) == [TWO]
    assert told(outbox, 59.9) == []
    assert told(outbox, 60.0) == [OTHER]
    assert told(outbox, 90.0) == [TWO]
    assert REPUBLISH_S == 60.0


def test_after_a_connection_everything_is_told() -> None:
    outbox = Outbox()
    outbox.want([ONE, OTHER])
    told(outbox, 0.0)
    outbox.connected()
    assert told(outbox, 1.0) == [ONE, OTHER]


def test_a_topic_that_is_gone_is_cleared_until_the_broker_has_it() -> None:
    outbox = Outbox()
    cleared = Message("b", "", retain=True)
    outbox.want([ONE, OTHER])
    told(outbox, 0.0)
    outbox.want([ONE])
    assert told(outbox, 1.0) == [cleared]
    assert told(outbox, 2.0) == []
    outbox.connected()
    assert told(outbox, 3.0) == [cleared, ONE]
    outbox.acknowledged(cleared)
    outbox.connected()
    assert told(outbox, 4.0) == [ONE]


def test_a_topic_that_comes_back_before_it_was_cleared_stays() -> None:
    outbox = Outbox()
    cleared = Message("b", "", retain=True)
    outbox.want([ONE, OTHER])
    told(outbox, 0.0)
    outbox.want([ONE])
    told(outbox, 1.0)
    outbox.want([ONE, OTHER])
    assert told(outbox, 2.0) == [OTHER]
    assert told(outbox, 3.0) == []
    outbox.want([ONE])
    outbox.acknowledged(cleared)  # the first one: what is on the broker now came after it
    assert told(outbox, 4.0) == [cleared]
