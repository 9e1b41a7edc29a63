"""A broker that connects a rig and denies it a topic: told at once, asked again, and over when it is granted."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dosingd.mqtt.granted import AGAIN_S, Denied, Granted
from dosingd.mqtt.link import Link
from dosingd.plan.model import Broker as Settings
from tests.mqtt.broker import Broker, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import RIG, Ahead, Log, held_for, says
from tests.mqtt.ordering import Sender, order
from tests.mqtt.proxy import UNKNOWN_VERSION, Proxy
from tests.mqtt.security import CONTROL, command, needs_plugin, secured
from tests.mqtt.states import state
from tests.mqtt.taking import Taking

USERS = {"shop": "for-the-shop", "lagoon": "for-the-rig"}
ORDER, BIRTH = "dosingd/lagoon/order", "homeassistant/status"


def granted() -> Granted:
    return Granted("lagoon", "lagoon", "broker.lan:8883", {ORDER: "no order arrives, no hold either", BIRTH: "..."})


# -- what is known -------------------------------------------------------------------------------------------


def test_nothing_is_denied_before_anything_is_answered() -> None:
    of = granted()
    of.asked(1, ORDER)
    assert of.denied is None


def test_a_denied_subscription_says_what_is_lost_and_what_to_write() -> None:
    of = granted()
    of.asked(1, ORDER)
    assert of.answered(1, denied=True) is True
    assert of.denied == Denied(
        "The broker broker.lan:8883 does not let the user lagoon hear dosingd/lagoon/order: no order arrives, no hold"
        " either. Doses go on.",
        'see the broker\'s log, and write into its access list: "topic read dosingd/lagoon/order"',
    )
    of.asked(2, ORDER)
    assert of.answered(2, denied=True) is False, "no news"
    of.asked(3, ORDER)
    assert of.answered(3, denied=False) is True
    assert of.denied is None


def test_an_answer_that_nobody_asked_for_says_nothing() -> None:
    of = granted()
    of.asked(1, ORDER)
    of.connected()
    assert of.answered(1, denied=True) is False
    assert of.denied is None


def test_messages_that_are_not_taken_are_counted_and_the_answers_are_one() -> None:
    of = granted()
    news = [of.published(f"{ORDER}/a-{number}", denied=True) for number in range(100)]
    assert news == [True] + 99 * [False]
    assert of.published("dosingd/lagoon/alarm/held", denied=True) is False
    denied = of.denied
    assert denied is not None
    assert "does not take dosingd/lagoon/order/+ and 1 more from the user lagoon: nobody sees it" in denied.text
    assert denied.next_step.endswith('"topic write dosingd/lagoon/order/+"')
    assert of.published(f"{ORDER}/b", denied=False) is False
    assert of.published("dosingd/lagoon/alarm/held", denied=False) is True
    assert of.denied is None


def test_what_is_denied_is_asked_for_again_once_a_minute() -> None:
    of = granted()
    assert of.again(100.0) == ((), ())
    of.asked(1, ORDER)
    of.answered(1, denied=True)
    of.published(RIG, denied=True)
    assert of.again(100.0 + AGAIN_S - 1) == ((), ())
    assert of.again(100.0 + AGAIN_S) == ((ORDER,), (RIG,))
    assert of.again(100.0 + AGAIN_S + 1) == ((), ())


# -- a real broker -------------------------------------------------------------------------------------------


def link_to(port: int, directory: Path, log: Log, clock: Ahead, came: Taking) -> Link:
    file = directory / "password"
    file.write_text(USERS["lagoon"], encoding="ascii")
    file.chmod(0o600)
    settings = Settings(
        "127.0.0.1", port, username="lagoon", password_file=str(file), orders=("hold",), hub_discovery=True
    )
    return Link(settings, "lagoon", clock=clock, say=log.say, orders=came, first_wait_s=0.1)


@pytest.mark.broker
@needs_mosquitto
@needs_plugin
@pytest.mark.parametrize("older", [None, UNKNOWN_VERSION], ids=["version 5", "version 3.1.1"])
def test_a_denied_subscription_is_told_and_heard_when_it_is_granted(tmp_path: Path, older: bytes | None) -> None:
    log, clock, came = Log(), Ahead(), Taking()
    shop = [("subscribePattern", "#"), ("publishClientSend", CONTROL)]
    with secured(tmp_path, USERS, {"shop": shop}) as broker, Proxy(broker.port, older=older) as wire:
        link = link_to(wire.port, tmp_path, log, clock, came)
        link.start()
        both = f"hear {ORDER} and 1 more: no order arrives, no hold either"
        wait_until(lambda: link.denied is not None and both in link.denied.text, "both are denied")
        assert link.connected
        assert len(log.with_word("does not let the user lagoon hear")) == 2, "once for each"
        sender = Sender(broker.port, "lagoon", ("shop", USERS["shop"]))
        sender.give(order("hold"))
        # Other changes of its rights would end the rig's connection, and with it what was denied.
        allowed = [{"acltype": "subscribe", "allow": True}]
        command(broker, "shop", USERS["shop"], command="setDefaultACLAccess", acls=allowed)
        clock.ahead_s += AGAIN_S + 1
        wait_until(lambda: link.denied is None, "granted")
        assert came.heard == []
        sender.give(order("hold"))
        wait_until(lambda: len(came.heard) == 1, "an order arrives")
        assert log.with_word("denies the rig nothing any more")
        link.stop(2.0)
        sender.close()


@pytest.mark.broker
@needs_mosquitto
def test_what_the_broker_does_not_take_is_told_and_told_again_when_it_does(tmp_path: Path) -> None:
    log, clock, file = Log(), Ahead(), tmp_path / "list"
    rights = f"user shop\ntopic readwrite #\nuser lagoon\ntopic read {ORDER}\ntopic write dosingd/lagoon/alive\n"
    file.write_text(rights, encoding="ascii")
    file.chmod(0o600)
    with Broker(tmp_path, users=USERS, more=(f"acl_file {file}",)) as broker, Listener(broker) as listener:
        link = link_to(broker.port, tmp_path, log, clock, Taking())
        link.show(state(held=True, held_reason="a test"))
        link.start()
        listener.wait_for("dosingd/lagoon/alive", "online")
        wait_until(lambda: link.denied is not None and RIG in link.denied.text, "it is denied")
        assert link.connected
        assert len(log.with_word("does not take")) == 1, "told once, however many topics"
        assert listener.heard(RIG) == []
        file.write_text(f"{rights}topic readwrite #\n", encoding="ascii")
        broker.read_again()
        clock.ahead_s += AGAIN_S + 1
        listener.wait_for(RIG, says("a test"))
        wait_until(lambda: link.denied is None, "granted")
        configs = [topic for topic in listener.topics() if topic.startswith("homeassistant/")]
        assert len(configs) > 5, "what is told once only is told now"
        link.show(held_for("another"))
        listener.wait_for(RIG, lambda payload: json.loads(payload)["held_reason"] == "another")
        link.stop(2.0)
