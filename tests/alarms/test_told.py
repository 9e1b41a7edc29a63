"""The real daemon on a bench tells a real broker of its alarms, and a hub of itself: also after it was killed."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.child import CALM, Rig, wait_until
from tests.mqtt.broker import Broker, Listener, needs_mosquitto

pytestmark = [pytest.mark.broker, needs_mosquitto]

HELD = "dosingd/calm/alarm/held"
KEYS = {"raised", "kind", "channel", "since", "text", "next_step"}
ALONE = CALM[: CALM.index("  ca:\n")]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path) as one:
        yield one


def plan_at(broker: Broker, text: str = CALM, **more: str) -> str:
    rest = "".join(f", {key}: {value}" for key, value in more.items())
    return f"{text}mqtt: {{host: 127.0.0.1, port: {broker.port}{rest}}}\n"


def newest(listener: Listener, topic: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(listener.heard(topic)[-1])
    return told


def raised(yes: bool) -> Any:
    return lambda payload: bool(payload) and json.loads(payload)["raised"] is yes


def configs(listener: Listener, prefix: str = "homeassistant") -> set[str]:
    """What a hub would know of: the entities by their ids."""
    return {topic.split("/")[-2] for topic in listener.topics() if topic.startswith(f"{prefix}/")}


def test_an_alarm_is_raised_retained_kept_over_a_kill_and_ended(broker: Broker, tmp_path: Path) -> None:
    with Rig(tmp_path, plan_at(broker)) as rig, Listener(broker) as listener:
        rig.start()
        assert rig.say("hold", "--why", "hands in the tank").returncode == 0
        listener.wait_for(HELD, raised(True))
        told = newest(listener, HELD)
        assert told.keys() == KEYS
        assert (told["kind"], told["channel"], told["next_step"]) == ("held", None, "dosingd release")
        assert told["text"].startswith("All pumps are off: hands in the tank.")
        assert [one["kind"] for one in rig.ask("status")["alarms"]] == ["held"]
        rig.stop(signal.SIGKILL)
        with Listener(broker) as late:
            late.wait_for(HELD, raised(True))
        assert [one["since"] for one in rig.ask("status")["alarms"]] == [told["since"]], "without a daemon as well"
        rig.start()
        listener.wait_for("dosingd/calm/alive", "online")
        assert newest(listener, HELD)["since"] == told["since"]
        assert rig.log.count("ALARM, held") == 1, "raised once"
        rig.say("release")
        listener.wait_for(HELD, raised(False))
        assert newest(listener, HELD) == {**told, "raised": False}
        rig.stop()
        rig.start()
        with Listener(broker) as late:
            late.wait_for(HELD, raised(False))
        assert rig.log.count("alarm over, held") == 1


def test_what_ended_while_the_broker_was_away_is_told_when_it_is_back(broker: Broker, tmp_path: Path) -> None:
    with Rig(tmp_path, plan_at(broker)) as rig:
        rig.start()
        with Listener(broker) as listener:
            rig.say("hold")
            listener.wait_for(HELD, raised(True))
        broker.stop()
        rig.say("release")
        broker.start()
        with Listener(broker) as listener:
            listener.wait_for(HELD, raised(False), 30.0)


def test_a_refused_reload_is_told_of_until_one_works(broker: Broker, tmp_path: Path) -> None:
    topic = "dosingd/calm/alarm/plan-refused"
    plan = plan_at(broker)
    with Rig(tmp_path, plan) as rig, Listener(broker) as listener:
        rig.start()
        rig.plan_file.write_text(plan.replace("doses: 2", "dosis: 2", 1))
        assert rig.say("reload").returncode == 2
        listener.wait_for(topic, raised(True))
        assert "channels.alk.doses: missing" in newest(listener, topic)["text"]
        rig.plan_file.write_text(plan)
        assert rig.say("reload").returncode == 0
        listener.wait_for(topic, raised(False))


def test_a_hub_is_told_of_every_entity_and_again_when_it_is_born(broker: Broker, tmp_path: Path) -> None:
    config = "homeassistant/binary_sensor/dosingd_calm/held/config"
    with Rig(tmp_path, plan_at(broker, hub_discovery="true")) as rig, Listener(broker) as listener:
        rig.start()
        listener.wait_for(config, lambda payload: bool(payload))
        entities = {f"{name}_{what}" for name in ("alk", "ca") for what in ("reservoir", "days", "given", "low")}
        entities |= {"alk_calibration", "ca_calibration", "held", "clock", "alarm"}
        wait_until(lambda: configs(listener) == entities, "every entity is announced")
        count = len(listener.heard(config))
        listener.publish("homeassistant/status", "offline")
        listener.publish("homeassistant/status", "online")
        listener.wait_for_count(config, count + 1)


def test_without_hub_discovery_nothing_is_said_to_a_hub(broker: Broker, tmp_path: Path) -> None:
    with Rig(tmp_path, plan_at(broker)) as rig, Listener(broker) as listener:
        rig.start()
        listener.wait_for("dosingd/calm/rig", lambda payload: bool(payload))
        listener.publish("homeassistant/status", "online")
        rig.stop()
        assert configs(listener) <= {"homeassistant"}


def test_a_channel_that_left_while_nobody_ran_takes_its_entities_and_topics_along(
    broker: Broker, tmp_path: Path
) -> None:
    with Rig(tmp_path, plan_at(broker, hub_discovery="true", hub_prefix="house")) as rig, Listener(broker) as listener:
        rig.start()
        wait_until(lambda: "ca_low" in configs(listener, "house"), "calcium is announced")
        rig.stop()
        rig.plan_file.write_text(plan_at(broker, ALONE, hub_discovery="true", hub_prefix="house"))
        rig.start()
        wait_until(lambda: not any(each.startswith("ca") for each in configs(listener, "house")), "calcium is gone")
        wait_until(lambda: "dosingd/calm/channel/ca" not in listener.topics(), "its topic is gone")
        assert "alk_low" in configs(listener, "house")


@pytest.mark.parametrize("restarted", [True, False])
def test_a_rig_with_another_name_leaves_nothing_of_the_old_one(broker: Broker, tmp_path: Path, restarted: bool) -> None:
    plan = plan_at(broker, hub_discovery="true")
    with Rig(tmp_path, plan) as rig, Listener(broker) as listener:
        rig.start()
        rig.say("hold")
        listener.wait_for(HELD, raised(True))
        wait_until(lambda: "held" in configs(listener), "the rig is announced")
        rig.plan_file.write_text(plan.replace("rig: calm", "rig: quiet"))
        if restarted:
            rig.stop(signal.SIGKILL)
            rig.start()
        else:
            assert rig.say("reload").returncode == 0
        listener.wait_for("dosingd/quiet/alarm/held", raised(True))
        wait_until(lambda: not any("calm" in topic for topic in listener.topics()), "the old name is gone")


def test_an_announcement_that_is_forgotten_or_damaged_stops_nothing(broker: Broker, tmp_path: Path) -> None:
    with Rig(tmp_path, plan_at(broker, hub_discovery="true")) as rig, Listener(broker) as listener:
        for damage in ("[", '{"127.0.0.1:1": 7, "x": [null]}'):
            (rig.state / "announced.json").write_text(damage)
            rig.start()
            listener.wait_for("dosingd/calm/alive", "online")
            rig.stop()
            listener.wait_for("dosingd/calm/alive", "offline")
        assert any(
            "dosingd/calm/rig" in each for each in json.loads((rig.state / "announced.json").read_text()).values()
        )
