"""A mosquitto whose rights are changed while it runs: by its own plugin for that, which answers a denied subscription,
and by an access list, which does not."""

from __future__ import annotations

import base64
import hashlib
import json
import threading
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.mqtt.broker import PATIENCE_S, Broker

PLUGIN = next(iter(sorted(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"))), None)
needs_plugin = pytest.mark.skipif(PLUGIN is None, reason="mosquitto's dynamic security plugin is not installed")

CONTROL = "$CONTROL/dynamic-security/v1"


def secured(directory: Path, users: dict[str, str], allowed: dict[str, list[tuple[str, str]]]) -> Broker:
    """A broker where each user may do what is listed, such as `("subscribePattern", "#")`, and publish anything."""
    state = {
        "defaultACLAccess": {
            "publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True,
        },
        "clients": [_client(user, password) for user, password in users.items()],
        "roles": [
            {
                "rolename": user,
                "acls": [{"acltype": kind, "topic": topic, "allow": True} for kind, topic in allowed.get(user, [])],
            }
            for user in users
        ],
    }  # fmt: skip
    file = directory / "security.json"
    file.write_text(json.dumps(state), encoding="utf-8")
    return Broker(directory, users=users, more=(f"plugin {PLUGIN}", f"plugin_opt_config_file {file}"), own_rights=True)


def _client(user: str, password: str) -> dict[str, Any]:
    """As the plugin keeps a client: PBKDF2 of 512 bits, documented in its own file of state."""
    salt = b"of-the-tests"
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return {
        "username": user, "password": base64.b64encode(key).decode(), "salt": base64.b64encode(salt).decode(),
        "iterations": 101, "roles": [{"rolename": user}],
    }  # fmt: skip


def command(broker: Broker, user: str, password: str, **what: object) -> None:
    """Have the plugin change something; `user` must be allowed to publish to CONTROL."""
    done = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(user, password)
    client.on_publish = lambda *_: done.set()
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.publish(CONTROL, json.dumps({"commands": [what]}), qos=1)
    assert done.wait(PATIENCE_S)
    client.disconnect()
    client.loop_stop()
    client.on_publish = None
