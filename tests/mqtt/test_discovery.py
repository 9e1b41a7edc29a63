"""What a hub is told of the rig: valid by the rules of its documentation, and by its own schema where it is installed.

The hub drops a config with an unknown key or a wrong unit without a word, so nothing here can be left to chance.
"""

from __future__ import annotations

import asyncio
import importlib
import importlib.util
import json
import re
import warnings
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml
from attrs import evolve

from dosingd.mqtt import Message, messages
from dosingd.mqtt.discovery import EXPIRE_S, birth_topic, configs
from dosingd.mqtt.outbox import BIRTH_S, REPUBLISH_S, STALE_S, Outbox
from dosingd.state import CalibrationState, ReservoirState
from tests.mqtt.states import alarm, channel, state

PREFIX = "homeassistant"
ENTITIES = {
    "binary_sensor/dosingd_lagoon/alarm",
    "binary_sensor/dosingd_lagoon/alk_low",
    "binary_sensor/dosingd_lagoon/clock",
    "binary_sensor/dosingd_lagoon/held",
    "sensor/dosingd_lagoon/alk_calibration",
    "sensor/dosingd_lagoon/alk_days",
    "sensor/dosingd_lagoon/alk_given",
    "sensor/dosingd_lagoon/alk_reservoir",
}

# -- the hub's rules -----------------------------------------------------------------------------------------
# Source: the hub's documentation of MQTT discovery, of the sensor and of the binary sensor, from memory; held against
# the discovery schemas of the hub's release 2025.4.4.

SHARED = {
    "availability", "device", "device_class", "enabled_by_default", "encoding", "entity_category", "expire_after",
    "force_update", "icon", "json_attributes_template", "json_attributes_topic", "name", "origin", "qos", "state_topic",
    "unique_id", "value_template",
}  # fmt: skip
KEYS = {
    "sensor": SHARED | {"options", "state_class", "suggested_display_precision", "unit_of_measurement"},
    "binary_sensor": SHARED | {"off_delay", "payload_off", "payload_on"},
}
DEVICE_KEYS = {"identifiers", "name", "manufacturer", "model", "model_id", "sw_version", "hw_version", "serial_number"}
ORIGIN_KEYS = {"name", "sw_version", "support_url"}
AVAILABILITY_KEYS = {"topic", "payload_available", "payload_not_available", "value_template"}
#: By device class of a sensor the units and the state classes that the hub takes; of the units only a few.
CLASSES: dict[str, tuple[set[str | None], set[str | None]]] = {
    "volume_storage": ({"mL", "L", "gal"}, {"measurement"}),
    "volume": ({"mL", "L", "gal"}, {"total", "total_increasing"}),
    "duration": ({"s", "min", "h", "d"}, {"measurement", "total", "total_increasing"}),
    "timestamp": ({None}, {None}),
}


def by_the_documentation(component: str, config: dict[str, Any]) -> None:
    """Red where the hub would drop the config, or would draw its figure wrongly."""
    assert config.keys() <= KEYS[component], config.keys() - KEYS[component]
    assert {"state_topic", "unique_id", "device", "origin", "availability", "expire_after"} <= config.keys()
    assert config["device"].keys() <= DEVICE_KEYS
    assert config["device"]["identifiers"]
    assert config["origin"].keys() <= ORIGIN_KEYS
    assert "name" in config["origin"]
    for one in config["availability"]:
        assert one.keys() <= AVAILABILITY_KEYS
        assert "topic" in one
    if component == "sensor":
        units, state_classes = CLASSES[config["device_class"]]
        assert config.get("unit_of_measurement") in units
        assert config.get("state_class") in state_classes
    else:
        assert config["device_class"] == "problem"


def by_the_hub_itself(component: str, config: dict[str, Any]) -> None:
    """Its own schema takes every key, and none is dropped on the way."""

    async def taken() -> dict[str, Any]:
        core, frame = (importlib.import_module(f"homeassistant.{name}") for name in ("core", "helpers.frame"))
        schema = importlib.import_module(f"homeassistant.components.mqtt.{component}").DISCOVERY_SCHEMA
        hub = core.HomeAssistant("/nowhere")
        frame.async_setup(hub)
        try:
            found: dict[str, Any] = schema(config)
        finally:
            await hub.async_stop(force=True)
        return found

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own
        assert asyncio.run(taken()).keys() >= config.keys()
        if component == "sensor":
            tables = importlib.import_module("homeassistant.components.sensor.const")
            drawn_as = config["device_class"]
            assert config.get("unit_of_measurement") in tables.DEVICE_CLASS_UNITS.get(drawn_as, {None})
            assert config.get("state_class") in (tables.DEVICE_CLASS_STATE_CLASSES[drawn_as] or {None})


JUDGES: list[Callable[[str, dict[str, Any]], None]] = [by_the_documentation]
if importlib.util.find_spec("homeassistant") is not None:
    JUDGES.append(by_the_hub_itself)


def announced(*channels: Any, prefix: str = PREFIX, **more: Any) -> dict[str, dict[str, Any]]:
    """The configs of a rig by component, node and object."""
    found = {}
    for message in configs(state(*channels, **more), prefix):
        assert message.retain
        match = re.fullmatch(rf"{prefix}/(\w+/[a-zA-Z0-9_-]+/[a-zA-Z0-9_-]+)/config", message.topic)
        assert match, f"{message.topic}: not a topic that a hub looks at"
        found[match[1]] = json.loads(message.payload)
    return found


@pytest.mark.parametrize("judge", JUDGES)
def test_every_config_is_valid(judge: Callable[[str, dict[str, Any]], None]) -> None:
    for topic, config in announced().items():
        judge(topic.partition("/")[0], config)


@pytest.mark.parametrize("judge", JUDGES)
@pytest.mark.parametrize("edit", [{"unit_of_measurement": "ml"}, {"state_class": "total"}])
def test_the_judges_see_a_level_with_the_wrong_unit_or_class(
    judge: Callable[[str, dict[str, Any]], None], edit: dict[str, Any]
) -> None:
    with pytest.raises(AssertionError):
        judge("sensor", {**announced()["sensor/dosingd_lagoon/alk_reservoir"], **edit})


@pytest.mark.parametrize("judge", JUDGES)
def test_the_judges_see_a_misspelt_key(judge: Callable[[str, dict[str, Any]], None]) -> None:
    config = {**announced()["sensor/dosingd_lagoon/alk_reservoir"], "unit_of_mesurement": "mL"}
    with pytest.raises(AssertionError):
        judge("sensor", config)


def test_there_is_an_entity_for_each_figure_and_problem() -> None:
    assert announced(channel("alk")).keys() == ENTITIES
    both = announced(channel("alk"), channel("ca"))
    assert {each for each in both if "ca_" in each} == {each.replace("alk", "ca") for each in ENTITIES if "alk" in each}


def test_figures_have_the_units_and_classes_that_draw_them_properly() -> None:
    found = announced(channel("alk"))
    drawn = {
        topic.rpartition("/")[2]: (each.get("device_class"), each.get("unit_of_measurement"), each.get("state_class"))
        for topic, each in found.items()
    }
    assert drawn == {
        "alk_reservoir": ("volume_storage", "mL", "measurement"),
        "alk_days": ("duration", "d", "measurement"),
        "alk_given": ("volume", "mL", "total_increasing"),
        "alk_calibration": ("timestamp", None, None),
        "alk_low": ("problem", None, None),
        "held": ("problem", None, None),
        "clock": ("problem", None, None),
        "alarm": ("problem", None, None),
    }


def test_a_dead_rig_is_never_shown_as_well() -> None:
    for config in announced().values():
        assert config["availability"] == [
            {"topic": "dosingd/lagoon/alive", "payload_available": "online", "payload_not_available": "offline"}
        ]
        assert config["expire_after"] == EXPIRE_S
    # Told each minute, and dead within two.
    assert REPUBLISH_S < EXPIRE_S <= 120


def test_all_of_a_rig_is_one_device_and_its_ids_are_stable() -> None:
    found = announced(channel("alk"), channel("ca"))
    assert {json.dumps(each["device"]) for each in found.values()} == {
        '{"identifiers": ["dosingd_lagoon"], "name": "lagoon", "model": "dosing rig", "sw_version": "1.2.3"}'
    }
    assert {each["origin"]["name"] for each in found.values()} == {"dosingd"}
    ids = {topic: each["unique_id"] for topic, each in found.items()}
    assert ids["sensor/dosingd_lagoon/alk_reservoir"] == "dosingd_lagoon_alk_reservoir"
    assert len(set(ids.values())) == len(ids)
    later = announced(channel("alk", given_today_ul=1), channel("ca"), held=True, version="9")
    assert {topic: each["unique_id"] for topic, each in later.items()} == ids


def test_two_rigs_whose_names_run_into_each_other_share_no_id() -> None:
    one = announced(channel("b-c"), rig="a").values()
    other = announced(channel("c"), rig="a-b").values()
    assert not {each["unique_id"] for each in one} & {each["unique_id"] for each in other}


def test_the_prefix_is_the_plans() -> None:
    assert announced(prefix="house").keys() == announced().keys()
    assert birth_topic("house") == "house/status"


# -- what a hub would show -----------------------------------------------------------------------------------


def shown(config: dict[str, Any], payloads: dict[str, dict[str, Any]]) -> str:
    """What a config makes of the topic that it names. Its templates are few enough to be read as Python."""
    template = config["value_template"].removeprefix("{{ ").removesuffix(" }}")
    value_json = SimpleNamespace(**payloads[config["state_topic"]])
    return str(eval(template.replace(" is none", " is None"), {}, {"value_json": value_json}))


def drawn(*channels: Any, **more: Any) -> dict[str, str]:
    payloads = {message.topic: json.loads(message.payload) for message in messages(state(*channels, **more))}
    return {topic.rpartition("/")[2]: shown(config, payloads) for topic, config in announced(*channels, **more).items()}


def test_every_figure_comes_from_a_topic_that_is_published() -> None:
    due_at = datetime(2026, 3, 1, 12, tzinfo=UTC)
    known = channel("alk", calibration=CalibrationState(ul_per_s=250.0, at=None, runs=3, source="measured"))
    assert drawn(evolve(known, calibration=evolve(known.calibration, due_at=due_at))) == {
        "alk_reservoir": "1534.002",
        "alk_days": "21.03",
        "alk_given": "31.517",
        "alk_low": "OFF",
        "alk_calibration": "2026-03-01T13:00:00+01:00",
        "held": "OFF",
        "clock": "OFF",
        "alarm": "OFF",
    }


def test_problems_are_on_and_what_is_unknown_is_unknown() -> None:
    low = channel("alk", reservoir=ReservoirState(left_ul=90_000, days_left=0.1, low=True, stock="soda"))
    told = drawn(low, held=True, clock_trusted=False, alarms=(alarm(),))
    assert [told[key] for key in ("alk_low", "held", "clock", "alarm")] == ["ON"] * 4
    new = channel("alk", reservoir=ReservoirState(left_ul=None, days_left=None, low=None, stock="soda"))
    told = drawn(new, clock_trusted=None)
    assert {told[key] for key in ("alk_reservoir", "alk_days", "alk_low", "alk_calibration", "clock")} == {"None"}


def test_the_automations_in_readme_are_of_entities_that_there_are() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    [block] = [block for block in re.findall(r"^```yaml\n(.*?)^```", readme, re.M | re.S) if "triggers:" in block]
    found = announced(channel("alk"), channel("ca"))
    # The hub makes an entity's id of the device's name and its own, in small letters joined by underscores.
    ids = {f"{topic.split('/')[0]}.lagoon_{each['name'].replace(' ', '_')}" for topic, each in found.items()}
    named = set(re.findall(r"(?:binary_)?sensor\.\w+", block))
    assert named == {
        f"binary_sensor.lagoon_{name}" for name in ("alk_reservoir_low", "ca_reservoir_low", "alarm", "held")
    }
    assert named <= ids
    assert [each["alias"] for each in yaml.safe_load(block)] == [
        "A reservoir of the dosing rig is low",
        "The dosing rig is silent",
    ]


# -- when it is told -----------------------------------------------------------------------------------------

STATE = Message("dosingd/lagoon/rig", "{}", retain=True)
CONFIG = Message("homeassistant/sensor/x/y/config", "{}", retain=True, renew=False)


def told(outbox: Outbox, mono_s: float) -> list[Message]:
    due = outbox.due(mono_s)
    for message in due:
        outbox.told(message, mono_s)
    return due


def test_a_config_is_told_once_to_a_connection() -> None:
    outbox = Outbox()
    outbox.want([STATE, CONFIG], 0.0)
    assert told(outbox, 0.0) == [STATE, CONFIG]
    assert told(outbox, 60.0) == [STATE]
    outbox.connected()
    assert told(outbox, 61.0) == [STATE, CONFIG]


def test_a_hub_that_is_born_is_told_every_config_again_but_no_flood_of_births_makes_one_of_ours() -> None:
    outbox = Outbox()
    outbox.want([STATE, CONFIG], 0.0)
    told(outbox, 0.0)
    outbox.born(20.0)
    assert told(outbox, 20.0) == [CONFIG]
    for tenth in range(100):
        outbox.born(20.0 + tenth / 10)
        assert told(outbox, 20.0 + tenth / 10) == []
    assert told(outbox, 20.0 + BIRTH_S) == [CONFIG], "the last of them is heard as well"
    assert told(outbox, 21.0 + BIRTH_S) == []


def test_what_an_earlier_link_left_is_cleared_by_the_first_state_and_not_before() -> None:
    outbox = Outbox()
    alive = Message("dosingd/lagoon/alive", "online", retain=True)
    outbox.want([alive])
    outbox.found([CONFIG.topic, "dosingd/reef/alive", "homeassistant/sensor/z/y/config"])
    assert told(outbox, 0.0) == [alive]
    assert outbox.topics() >= {alive.topic, CONFIG.topic, "dosingd/reef/alive"}
    outbox.want([alive, CONFIG], 1.0)
    gone = Message("dosingd/reef/alive", "", retain=True)
    before = Message("homeassistant/sensor/z/y/config", "", retain=True)
    assert told(outbox, 1.0) == [before, gone, CONFIG], "a config goes before the figures that it reads"
    for each in (before, gone):
        outbox.acknowledged(each)
    assert outbox.topics() == {alive.topic, CONFIG.topic}


def test_a_state_that_nobody_made_anew_is_not_passed_off_as_fresh() -> None:
    outbox = Outbox()
    outbox.want([STATE], 0.0)
    told(outbox, 0.0)
    assert told(outbox, STALE_S - 1) == [STATE]
    assert told(outbox, STALE_S + 60.0) == [], "a rig whose turn thread hangs expires in the hub"
    outbox.want([STATE], STALE_S + 61.0)
    assert told(outbox, STALE_S + 61.0) == [STATE]
    assert STALE_S > 540 + 120, "a run of 540 s is no death"
