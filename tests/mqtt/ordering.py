"""A bench's daemon that takes orders from a real broker, and somebody who gives them. All of it is invented.

with Ordered(tmp_path) as rig: rig.give(rig.order("dose")); rig.answer(...)
"""

from __future__ import annotations

import itertools
import json
import threading
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.daemon.child import CALM, CLOCK, PATIENCE_S, Rig
from tests.mqtt.broker import Broker

USER, PASSWORD = "calm", "a-word-that-nobody-guesses"

_numbers = itertools.count(1)


def order(verb: str = "dose", **changed: object) -> dict[str, object]:
    """An order that is good now; `changed` replaces some of it, and ... takes a key out."""
    now_at = CLOCK.now().wall_at
    made: dict[str, object] = {
        "id": f"order-{next(_numbers)}",
        "at": now_at.isoformat(),
        "expires_at": (now_at + timedelta(seconds=30)).isoformat(),
        "verb": verb,
        "channel": "alk" if verb == "dose" else None,
        "volume": "0.1 mL" if verb == "dose" else None,
    } | changed
    return {key: value for key, value in made.items() if value is not ...}


def mqtt_lines(port: int, password_file: Path, allow: str = "hold, dose", more: str = "") -> str:
    """The part of a plan that makes it take orders at a broker of this machine."""
    return (
        f"mqtt:\n  host: 127.0.0.1\n  port: {port}\n  username: {USER}\n  password_file: {password_file}\n"
        f"  orders: {{allow: [{allow}]}}\n{more}"
    )


class Sender:
    """Somebody with a password of the broker: says anything on any topic, and hears everything."""

    def __init__(
        self,
        port: int,
        rig: str = "calm",
        user: tuple[str, str] = (USER, PASSWORD),
    ) -> None:
        self.topic = f"dosingd/{rig}/order"
        self._heard: list[tuple[str, bytes, bool]] = []
        self._changed = threading.Condition()
        subscribed = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="")
        self.client.username_pw_set(*user)
        self.client.max_queued_messages_set(0)
        self.client.max_inflight_messages_set(1000)
        self.client.on_message = self._on_message
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.client.subscribe("#", qos=1)
        assert subscribed.wait(PATIENCE_S)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        with self._changed:
            self._heard.append((message.topic, bytes(message.payload), message.retain))
            self._changed.notify_all()

    def send(self, payload: bytes, *, retain: bool = False, qos: int = 1, topic: str | None = None) -> None:
        """Say it and go on."""
        self.client.publish(topic or self.topic, payload, qos=qos, retain=retain)

    def give(self, what: Mapping[str, object], *, retain: bool = False) -> None:
        """Give an order."""
        self.client.publish(self.topic, json.dumps(what), qos=1, retain=retain).wait_for_publish(PATIENCE_S)

    def ask(self, what: Mapping[str, object]) -> dict[str, Any]:
        """Give an order and wait for its answer: the newest on its topic."""
        topic = f"{self.topic}/{what['id']}"
        before = len(self.heard(topic))
        self.give(what)
        return self.wait_for(topic, before + 1)

    def heard(self, topic: str) -> list[bytes]:
        with self._changed:
            return [payload for at, payload, _ in self._heard if at == topic]

    def topics(self) -> list[str]:
        """The topic of each message that came, in order."""
        with self._changed:
            return [topic for topic, _, _ in self._heard]

    def wait_for_online(self, topic: str, count: int) -> None:
        """Until the rig said so often that it is there."""
        with self._changed:
            came = self._changed.wait_for(
                lambda: sum((at, said) == (topic, b"online") for at, said, _ in self._heard) >= count, PATIENCE_S
            )
            assert came, "the rig is not online"

    def wait_for(self, topic: str, count: int = 1, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """The `count`th message on a topic."""
        with self._changed:
            came = self._changed.wait_for(lambda: sum(at == topic for at, _, _ in self._heard) >= count, patience_s)
            assert came, f"fewer than {count} on {topic}"
        found: dict[str, Any] = json.loads(self.heard(topic)[count - 1])
        return found

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_message = self.client.on_subscribe = None
        del self.client


class Ordered(Rig):
    """The daemon on bench pins, the broker that it takes orders from, and a sender."""

    def __init__(self, directory: Path, plan: str = CALM, *, allow: str = "hold, dose", more: str = "") -> None:
        # Nothing that a test sends is to be dropped before the rig has seen it.
        self.broker = Broker(directory, users={USER: PASSWORD}, more=("max_queued_messages 0",))
        self.password_file = directory / "password"
        self.password_file.write_text(PASSWORD, encoding="ascii")
        self.password_file.chmod(0o600)
        self.broker.start()
        self.sender: Sender | None = None
        self.name = plan.split("\n", 1)[0].removeprefix("rig: ")
        super().__init__(directory, plan + mqtt_lines(self.broker.port, self.password_file, allow, more))

    def listening(self) -> Sender:
        """The daemon has subscribed; returns who gives orders."""
        self.sender = self.sender or Sender(self.broker.port, self.name)
        count = self.sender.heard(f"dosingd/{self.name}/alive").count(b"online")
        self.start()
        self.sender.wait_for_online(f"dosingd/{self.name}/alive", count + 1)
        return self.sender

    def rows(self, kind: str) -> list[dict[str, Any]]:
        """The ledger's rows of a kind."""
        return [entry for entry in self.ask("history")["entries"] if entry["kind"] == kind]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        super().__exit__(kind, fault, trace)
        if self.sender is not None:
            self.sender.close()
        self.broker.kill()
