"""Many rigs at one broker: everybody's state is right, one subscriber sees every alarm, and README's access list keeps
each to its own."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from dosingd.mqtt.link import Link
from dosingd.plan.model import Broker as Settings
from tests.mqtt.broker import PATIENCE_S, Broker, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import CLOCK, Log
from tests.mqtt.states import alarm, channel, dose, state

pytestmark = [pytest.mark.broker, needs_mosquitto]

RIGS = 100
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
ACL = re.findall(r"^```acl\n(.*?)^```", README, re.M | re.S)[0]


class Subscriber:
    """Somebody with one subscription, and what stands on each topic that came by it."""

    def __init__(self, broker: Broker, topic: str, user: str | None = None) -> None:
        self.newest: dict[str, str] = {}
        subscribed = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="")
        if user is not None:
            self.client.username_pw_set(user, user)
        self.client.on_message = self._on_message
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        self.client.subscribe(topic, qos=1)
        assert subscribed.wait(PATIENCE_S)

    def _on_message(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        self.newest[message.topic] = message.payload.decode("utf-8")

    def say(self, topic: str) -> None:
        """Say something on a topic; a broker that lets it fall acknowledges it all the same."""
        self.client.publish(topic, "{}", qos=1, retain=True).wait_for_publish(PATIENCE_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_message = self.client.on_subscribe = None
        del self.client


def rig_of(number: int) -> str:
    return f"tank-{number}"


def raised(text: str) -> Callable[[str], bool]:
    return lambda payload: bool(json.loads(payload)["raised"] is True and json.loads(payload)["text"] == text)


def test_a_hundred_rigs_share_a_broker_and_one_subscriber_sees_every_alarm(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        shop = Subscriber(broker, "dosingd/+/alarm/#")
        links = [
            Link(Settings("127.0.0.1", broker.port), rig_of(number), clock=CLOCK, say=Log().say)
            for number in range(RIGS)
        ]
        began_s = CLOCK.now().mono_s
        for number, link in enumerate(links):
            link.start()
            alk = channel("alk", given_today_ul=1000 * number)
            low = alarm(text=f"{rig_of(number)}: 412 mL left")
            link.show(state(alk, channel("ca"), rig=rig_of(number), alarms=(low,)))

        def all_seen() -> bool:
            seen = list(shop.newest.values())
            return len(seen) == RIGS and all(json.loads(payload)["raised"] for payload in seen)

        wait_until(all_seen, "one subscriber sees every alarm", 60)
        took_s = CLOCK.now().mono_s - began_s
        with Listener(broker) as listener:
            wait_until(lambda: len(listener.topics()) >= RIGS * 5, "all topics of all rigs")
            for number in range(RIGS):
                base = f"dosingd/{rig_of(number)}"
                assert listener.heard(f"{base}/alive")[-1] == "online"
                assert json.loads(listener.heard(f"{base}/channel/alk")[-1])["given_today_ml"] == number
                assert raised(f"{rig_of(number)}: 412 mL left")(listener.heard(f"{base}/alarm/reservoir-low.alk")[-1])
            # One of them goes, and nobody else.
            links[7].stop(5.0)
            listener.wait_for(f"dosingd/{rig_of(7)}/alive", "offline")
            assert sum(link.connected for link in links) == RIGS - 1
            # The broker is gone for a moment: all of them come back with what they have now.
            for number, link in enumerate(links):
                link.show(state(channel("alk", given_today_ul=500_000 + number), channel("ca"), rig=rig_of(number)))
        broker.stop()
        wait_until(lambda: not any(link.connected for link in links), "the loss is noticed")
        broker.start()
        back_s = wait_until(lambda: sum(link.connected for link in links) == RIGS - 1, "all are back", 60)
        with Listener(broker) as listener:
            for number in set(range(RIGS)) - {7}:
                topic = f"dosingd/{rig_of(number)}/channel/alk"
                listener.wait_for(topic, lambda said, n=number: json.loads(said)["given_today_ml"] == 500 + n / 1000)  # type: ignore[misc]
        print(f"{RIGS} rigs told all in {took_s:.1f} s, and again {back_s:.1f} s after the broker's restart")
        stopping = [threading.Thread(target=link.stop, args=(5.0,)) for link in links]
        for thread in stopping:
            thread.start()
        for thread in stopping:
            thread.join()
        shop.close()


@pytest.fixture
def shared(tmp_path: Path) -> Broker:
    """A broker with README's access list; every user's password is the name."""
    acl = tmp_path / "acl"
    acl.write_text(ACL, encoding="utf-8")
    acl.chmod(0o600)
    users = {name: name for name in ("admin", "lagoon", "reef", "shop", "keeper")}
    acl.write_text(ACL + "\nuser admin\ntopic read #\ntopic readwrite #\n", encoding="utf-8")
    return Broker(tmp_path, users=users, more=(f"acl_file {acl}",))


def test_by_readmes_access_list_each_rig_tells_of_itself_alone(shared: Broker, tmp_path: Path) -> None:
    password = tmp_path / "reef-password"
    password.write_text("reef", encoding="ascii")
    with shared, Listener(shared) as admin:
        settings = Settings("127.0.0.1", shared.port, username="reef", password_file=str(password), orders=("hold",))
        link = Link(settings, "reef", clock=CLOCK, say=Log().say, orders=_Orders())
        link.start()
        link.show(state(rig="reef", alarms=(alarm(),)))
        for below in ("alive", "rig", "channel/alk", "alarm/reservoir-low.alk", "orders"):
            admin.wait_for(f"dosingd/reef/{below}", lambda payload: payload != "")
        link.dose(dose())
        admin.wait_for("dosingd/reef/channel/alk/dose", lambda payload: payload != "")
        intruder = Subscriber(shared, "dosingd/lagoon/#", "reef")
        for topic in ("dosingd/lagoon/alive", "dosingd/lagoon/order", "dosingd/reef/order", "dosingd/lagoon/order/x"):
            intruder.say(topic)
        admin.publish("dosingd/lagoon/rig", "{}")
        admin.publish("dosingd/reef/done", "1")
        admin.wait_for("dosingd/reef/done", "1")
        said = {topic for topic in admin.topics() if topic.startswith("dosingd/")}
        assert "dosingd/lagoon/alive" not in said
        assert not {topic for topic in said if "/order" in topic} - {"dosingd/reef/orders"}
        assert intruder.newest == {}
        intruder.close()
        link.stop(2.0)


def test_by_readmes_access_list_the_shop_sees_all_and_orders_nothing(shared: Broker) -> None:
    with shared, Listener(shared) as admin:
        shop, keeper = Subscriber(shared, "dosingd/+/alarm/#", "shop"), Subscriber(shared, "dosingd/#", "keeper")
        admin.publish("dosingd/reef/alarm/held", "reef is held")
        admin.publish("dosingd/lagoon/alarm/held", "lagoon is held")
        wait_until(lambda: len(shop.newest) == 2, "every alarm")
        shop.say("dosingd/lagoon/order")
        keeper.say("dosingd/reef/order")
        keeper.say("dosingd/lagoon/order")
        admin.wait_for("dosingd/lagoon/order", "{}")
        assert admin.heard("dosingd/lagoon/order") == ["{}"]  # the keeper's alone
        assert admin.heard("dosingd/reef/order") == []
        assert keeper.newest == {}  # the keeper hears the answers and nothing else
        for one in (shop, keeper):
            one.close()


class _Orders:
    def came(self, payload: bytes, *, retained: bool, answer: object) -> None:
        raise AssertionError("nobody may give an order here")

    def counts(self) -> dict[str, int]:
        return {"taken": 0}

    def tick(self) -> None:
        pass
