"""The rig as a home automation hub discovers it: one retained config for each entity, below the hub's prefix.

Every entity reads a topic that is published anyway; a config only says which figure of it is what. The rules are those
of the hub's documentation of MQTT discovery, from memory, and the tests hold every config against the hub's own schema
where its package is installed:

- a key that the hub does not know makes it drop the config without a word, so there is no key too many;
- a level has the device class `volume_storage` and is measured; what was given today has `volume` and is a total that
  begins again each midnight; both want the unit `mL`, and `ml` is none;
- a template that comes to `None` makes an entity unknown, which is what a null of ours means;
- an entity expires when nothing comes for EXPIRE_S, and is unavailable when the rig is not there.

A name of the plan has no underscore, so ids that are joined by one can never be the same for two entities.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from dosingd.mqtt.topics import (
    BASE,
    OFFLINE,
    ONLINE,
    Message,
    alive_topic,
    channel_topic,
    rig_topic,
)
from dosingd.state import RigState

#: Figures are told each minute, so an entity that heard nothing for two is not to be believed.
EXPIRE_S = 120
#: What a hub says on its own topic when it has started.
BORN = "online"

_Entity = Mapping[str, Any]


def birth_topic(prefix: str) -> str:
    """Where a hub says that it was born; it wants to hear every config again then."""
    return f"{prefix}/status"


def configs(state: RigState, prefix: str) -> tuple[Message, ...]:
    """The config of every entity of a rig, retained. They are told once to a connection, and to each hub that is
    born."""
    rig = state.rig
    shared = {
        "availability": [
            {"topic": alive_topic(rig), "payload_available": ONLINE, "payload_not_available": OFFLINE},
        ],
        "expire_after": EXPIRE_S,
        "qos": 1,
        "device": {
            "identifiers": [f"{BASE}_{rig}"],
            "name": rig,
            "model": "dosing rig",
            **({"sw_version": state.version} if state.version else {}),
        },
        "origin": {"name": BASE, **({"sw_version": state.version} if state.version else {})},
    }
    found = []
    for component, entity_id, entity in _entities(state):
        config = {"unique_id": f"{BASE}_{rig}_{entity_id}", **entity, **shared}
        topic = f"{prefix}/{component}/{BASE}_{rig}/{entity_id}/config"
        found.append(Message(topic, json.dumps(config, ensure_ascii=False), retain=True, renew=False))
    return tuple(found)


def _entities(state: RigState) -> Iterator[tuple[str, str, _Entity]]:
    for name in state.channels:
        yield from _of_channel(name, channel_topic(state.rig, name))
    topic = rig_topic(state.rig)
    yield "binary_sensor", "held", _problem("held", topic, "value_json.held")
    yield "binary_sensor", "clock", _problem("clock", topic, "value_json.clock_trusted", problem="false")
    yield (
        "binary_sensor",
        "alarm",
        {
            **_problem("alarm", topic, "(value_json.alarms != [])"),
            "json_attributes_topic": topic,
            "json_attributes_template": "{{ {'alarms': value_json.alarms} | tojson }}",
        },
    )


def _of_channel(name: str, topic: str) -> Iterator[tuple[str, str, _Entity]]:
    def sensor(what: str, key: str, **more: Any) -> _Entity:
        return {"name": f"{name} {what}", "state_topic": topic, "value_template": f"{{{{ value_json.{key} }}}}", **more}

    yield (
        "sensor",
        f"{name}_reservoir",
        sensor(
            "reservoir",
            "reservoir_left_ml",
            device_class="volume_storage",
            unit_of_measurement="mL",
            state_class="measurement",
            suggested_display_precision=0,
        ),
    )
    yield (
        "sensor",
        f"{name}_days",
        sensor(
            "days left",
            "reservoir_days",
            device_class="duration",
            unit_of_measurement="d",
            state_class="measurement",
            suggested_display_precision=1,
        ),
    )
    yield (
        "sensor",
        f"{name}_given",
        sensor(
            "given today",
            "given_today_ml",
            device_class="volume",
            unit_of_measurement="mL",
            state_class="total_increasing",
            suggested_display_precision=1,
        ),
    )
    yield "binary_sensor", f"{name}_low", _problem(f"{name} reservoir low", topic, "value_json.low")
    yield (
        "sensor",
        f"{name}_calibration",
        sensor("calibration due", "calibration_due", device_class="timestamp", entity_category="diagnostic"),
    )


def _problem(name: str, topic: str, value: str, *, problem: str = "true") -> _Entity:
    """On where the value is `problem`, off where it is the other, unknown where it is null."""
    on, off = ("ON", "OFF") if problem == "true" else ("OFF", "ON")
    return {
        "name": name,
        "state_topic": topic,
        "value_template": f"{{{{ 'None' if {value} is none else '{on}' if {value} else '{off}' }}}}",
        "device_class": "problem",
        "payload_on": "ON",
        "payload_off": "OFF",
    }
