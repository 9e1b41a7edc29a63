"""Orders that a broker keeps, and what else version 5 of MQTT lets a sender do; and brokers that know 3.1.1 alone."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dosingd.mqtt.bounded import KEPT_BYTES
from dosingd.mqtt.link import Link
from dosingd.orders import MOST_BYTES
from dosingd.plan.model import Broker as Settings
from tests.daemon.child import CALM, wait_until
from tests.mqtt.broker import Broker, needs_mosquitto
from tests.mqtt.links import CLOCK, Log
from tests.mqtt.ordering import PASSWORD, USER, Ordered, Sender, order
from tests.mqtt.proxy import UNKNOWN_VERSION, Proxy
from tests.mqtt.taking import Taking

pytestmark = [pytest.mark.broker, needs_mosquitto]

V5 = MQTTProtocolVersion.MQTTv5


@contextmanager
def listening(directory: Path, port: int, log: Log | None = None) -> Iterator[tuple[Link, Taking]]:
    """A connected link that takes orders, and what it hands on."""
    password, came = directory / "password", Taking()
    password.write_text(PASSWORD, encoding="ascii")
    settings = Settings("127.0.0.1", port, username=USER, password_file=str(password), orders=("hold", "dose"))
    link = Link(settings, "calm", clock=CLOCK, say=(log or Log()).say, orders=came, first_wait_s=0.1)
    link.start()
    try:
        wait_until(lambda: link.connected, "connected")
        yield link, came
    finally:
        link.stop(2.0)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path, users={USER: PASSWORD}, more=("max_queued_messages 0",)) as one:
        yield one


def test_an_order_that_is_to_be_kept_is_none_also_while_the_rig_is_there(tmp_path: Path) -> None:
    with Ordered(tmp_path, CALM) as rig:
        sender = rig.listening()
        kept, dose = order("hold"), order("dose")
        for each in (kept, dose):
            sender.give(each, retain=True)
            answer = sender.wait_for(f"{sender.topic}/{each['id']}")
            assert answer["error"]["code"] == "retained"
            assert "publish an empty retained message" in answer["error"]["message"]
        assert rig.ask("status")["held"] is False
        assert rig.rows("ordered") == []
        sender.client.publish(sender.topic, b"", qos=1, retain=True).wait_for_publish(5)
        assert sender.ask(order("hold"))["ok"] is True
        assert rig.stop() == 0
        assert json.loads(sender.heard("dosingd/calm/orders")[-1]) == {"taken": 1, "refused": {"retained": 3}}


def test_what_the_broker_keeps_is_handed_on_once_however_often_the_connection_is_lost(
    tmp_path: Path, broker: Broker
) -> None:
    early = Sender(broker.port)
    early.send(b"kept before", retain=True)
    early.close()
    with Proxy(broker.port) as wire, listening(tmp_path, wire.port) as (link, came):
        sender = Sender(broker.port)
        wait_until(lambda: came.heard == [(b"kept before", True)], "it came")
        for number in range(3):
            sender.wait_for_online("dosingd/calm/alive", 1 + number)
            wire.cut()
            sender.wait_for_online("dosingd/calm/alive", 2 + number)
            sender.give({"n": number})
            wait_until(lambda count=2 + number: len(came.heard) == count, "the one after it came")  # type: ignore[misc]
        assert [payload for payload, kept in came.heard if kept] == [b"kept before"]
        sender.send(b"kept anew", retain=True)
        sender.send(b"kept before", retain=True)
        wait_until(lambda: len(came.heard) == 6, "another is another")
        assert [payload for payload, kept in came.heard if kept] == [b"kept before", b"kept anew", b"kept before"]
        assert link.connected
        sender.close()


@pytest.mark.parametrize("older", [UNKNOWN_VERSION, b""], ids=["says so", "closes"])
def test_a_broker_that_knows_3_1_1_alone_is_spoken_to_in_it(tmp_path: Path, broker: Broker, older: bytes) -> None:
    log = Log()
    with Proxy(broker.port, older=older) as wire, listening(tmp_path, wire.port, log) as (link, came):
        sender = Sender(broker.port)
        sender.give({"id": "a"})
        wait_until(lambda: came.heard == [(b'{"id": "a"}', False)], "it came")
        sender.send(b"x", retain=True)
        wait_until(lambda: came.heard[1:] == [(b"x", False)], "as a fresh one, for 3.1.1 has no word for it")
        wire.cut()
        wait_until(lambda: came.heard[2:] == [(b"x", True)], "and as a kept one from then on")
        wire.cut()
        wait_until(lambda: wire.taken >= 6, "each time first in version 5")
        wait_until(lambda: link.connected, "connected")
        assert len(came.heard) == 3
        sender.close()
    told = [text for _, text in log.lines]
    assert not [text for text in told if "version" in text or "closes the connection" in text], told
    assert "(p2, " in next(tmp_path.glob("mosquitto-*.log")).read_text(encoding="utf-8")


def test_otherwise_it_is_version_5(tmp_path: Path, broker: Broker) -> None:
    with listening(tmp_path, broker.port):
        pass
    assert "as dosingd-calm (p5, " in next(tmp_path.glob("mosquitto-*.log")).read_text(encoding="utf-8")


def properties(*pairs: tuple[str, str]) -> Properties:
    made = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    made.UserProperty = list(pairs)
    return made


def test_what_a_sender_adds_to_an_order_neither_ends_the_connection_nor_is_held(tmp_path: Path, broker: Broker) -> None:
    """The library takes a byte order mark in a property for a broken packet, and so does it one that was cut."""
    more = [
        properties(("a", "\ufeff")),
        properties(*[("key", "x" * 60_000)] * 20),
        properties(*[("", "")] * 3000),
        properties(("hold", "hold")),
    ]
    with listening(tmp_path, broker.port) as (link, came):
        sender, strange = Sender(broker.port), Client(CallbackAPIVersion.VERSION2, protocol=V5)
        strange.username_pw_set(USER, PASSWORD)
        strange.connect("127.0.0.1", broker.port)
        strange.loop_start()
        good = json.dumps(order("hold")).encode()
        for each in more:
            for qos in (0, 1):
                strange.publish(sender.topic, good, qos=qos, properties=each).wait_for_publish(5)
        # So long that its end is let go of; what is left of it must not be taken for the whole.
        sender.send(good + b" " * KEPT_BYTES + b"}")
        sender.give({"the": "last"})
        wait_until(lambda: len(came.heard) == 10, "all of them")
        assert [payload for payload, _ in came.heard[:2]] == [good, good], "it is nothing to us"
        assert all(len(payload) > MOST_BYTES for payload, _ in came.heard[2:6])
        assert [payload for payload, _ in came.heard[6:8]] == [good, good]
        assert len(came.heard[8][0]) > MOST_BYTES
        assert link.connected
        assert sender.heard("dosingd/calm/alive") == [b"online"], "the connection held"
        strange.disconnect()
        strange.loop_stop()
        sender.close()


def test_a_broker_that_takes_few_at_once_gets_no_more(tmp_path: Path) -> None:
    """MQTT 5, section 3.2.2.3.3: whoever sends more than Receive Maximum is disconnected."""
    broker = Broker(tmp_path, users={USER: PASSWORD}, more=("max_inflight_messages 3",))
    with broker, Proxy(broker.port, keep=True) as wire, listening(tmp_path, wire.port) as (link, _):
        sender = Sender(broker.port)
        sender.wait_for_online("dosingd/calm/alive", 1)
        broker.freeze()  # it takes nothing now, and acknowledges nothing
        for number in range(50):
            link.answer(f"a-{number}", {})
        wait_until(lambda: b"order/a-0" in wire.seen, "the first are on their way")
        threading.Event().wait(0.5)
        assert wire.seen.count(b"order/a-") == 3
        broker.thaw()
        sender.wait_for(f"{sender.topic}/a-49")
        assert sender.heard("dosingd/calm/alive") == [b"online"]
        sender.close()
