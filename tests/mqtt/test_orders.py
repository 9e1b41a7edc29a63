"""Orders from a real broker to the real daemon on bench pins: what is carried out, and what is not.

What hostile senders can do is tried in test_orders_hostile.py, and what an order may look like in
tests/rules/test_orders.py.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.child import wait_until
from tests.mqtt.broker import needs_mosquitto
from tests.mqtt.ordering import Ordered, Sender, order

pytestmark = [pytest.mark.broker, needs_mosquitto]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Ordered]:
    with Ordered(tmp_path) as rig:
        yield rig


def earn(rig: Ordered, ml: float = 0.5) -> None:
    """A new ledger's allowance begins at zero."""
    wait_until(lambda: rig.ask("status")["channels"]["alk"]["allowance_ml"] > ml, "an allowance was earned")


def test_a_dose_is_given_once_and_its_order_is_written_before_it(rig: Ordered) -> None:
    sender = rig.listening()
    earn(rig)
    given = order()
    answer = sender.ask(given)
    assert answer["ok"] is True, answer
    assert (answer["id"], answer["outcome"], answer["asked_ul"]) == (given["id"], "given", 100)
    assert [(pulse["channel"], pulse["on"]) for pulse in rig.pulses] == [("alk", True), ("alk", False)]
    entries = rig.ask("history")["entries"]
    kinds = [entry["kind"] for entry in entries]
    assert kinds.index("ordered") < kinds.index("reserved") < kinds.index("settled")
    assert f"order {given['id']}" in rig.rows("ordered")[0]["reason"]
    assert str(given["id"]) in rig.log
    again = sender.ask(given)
    assert again["ok"] is False
    assert again["error"]["code"] == "repeated"
    for volume, codes in (
        ("500 mL", {"too-long"}),
        ("29 mL", {"day-limit", "run-limit", "rise-limit"}),  # whichever has earned least since the start
        ("0.005 mL", {"smallest"}),
    ):
        refused = sender.ask(order(volume=volume))
        assert refused["ok"] is False
        assert refused["error"]["code"] in codes
        assert "othing was pumped" in refused["error"]["message"]
    assert sender.ask(order(channel="nobody"))["error"]["code"] == "channel"
    assert len(rig.pulses) == 2


def test_an_order_is_not_repeated_after_a_restart_either(rig: Ordered) -> None:
    sender = rig.listening()
    earn(rig)
    given, held = order(), order("hold")
    assert sender.ask(given)["ok"] is True
    assert sender.ask(held)["ok"] is True
    assert rig.ask("status")["held"] is True
    rig.child.kill()  # type: ignore[union-attr]
    rig.child.wait()  # type: ignore[union-attr]
    rig.listening()
    assert rig.say("release").returncode == 0
    assert sender.ask(given)["error"]["code"] == "repeated"
    assert sender.ask(held)["error"]["code"] == "repeated"
    assert rig.ask("status")["held"] is False
    assert len(rig.pulses) == 2
    assert len(rig.rows("ordered")) == 2


def test_a_hold_stops_the_pump_in_its_run_and_only_a_person_ends_it(rig: Ordered) -> None:
    sender = rig.listening()
    earn(rig, 2.5)
    long = order(volume="2 mL")  # 4 s
    sender.give(long)
    wait_until(lambda: rig.on, "the pump runs")
    held = sender.ask(order("hold"))
    assert held["ok"] is True
    assert not rig.on
    answer = sender.wait_for(f"{sender.topic}/{long['id']}")
    assert answer["outcome"] == "partial"
    assert answer["given_ul"] < 2_000
    status = rig.ask("status")
    assert "by an order from the broker" in status["held_reason"]
    refused = sender.ask(order())
    assert refused["error"]["code"] == "held"
    assert len(rig.pulses) == 2


def test_without_orders_in_the_plan_nothing_is_heard_or_answered(tmp_path: Path) -> None:
    with Ordered(tmp_path) as rig:
        text = rig.plan_file.read_text(encoding="utf-8")
        rig.plan_file.write_text(text.replace("orders: {allow: [hold, dose]}", "orders: false"), encoding="utf-8")
        sender = rig.listening()
        sender.give(order("hold"))
        sender.give(order())
        assert rig.say("hold").returncode == 0  # the desk works, and it is the rig's newest state
        wait_until(lambda: any(b'"held": true' in one for one in sender.heard("dosingd/calm/rig")), "told")
        assert not [topic for topic in sender.topics() if topic.startswith(f"{sender.topic}/")]
        assert rig.rows("ordered") == []
        broker_log = next(tmp_path.glob("mosquitto-*.log")).read_text(encoding="utf-8")
        assert "dosingd-calm" in broker_log


def test_a_reload_that_takes_orders_out_ends_them(rig: Ordered) -> None:
    sender = rig.listening()
    assert sender.ask(order("hold", at="yesterday"))["error"]["code"] == "malformed"
    text = rig.plan_file.read_text(encoding="utf-8")
    rig.plan_file.write_text(text.replace("orders: {allow: [hold, dose]}", "orders: false"), encoding="utf-8")
    assert rig.say("reload").returncode == 0
    sender.wait_for_online("dosingd/calm/alive", 2)
    assert {"taken": 0, "refused": {"malformed": 1}} in [json.loads(one) for one in counted(sender)]
    sender.give(order("hold"))
    assert rig.say("pause", "10 min").returncode == 0
    wait_until(lambda: b'"paused_until": null' not in sender.heard("dosingd/calm/rig")[-1], "told")
    assert rig.ask("status")["held"] is False


def counted(sender: Sender) -> list[bytes]:
    """What was told of how many orders came; it is taken off the broker when orders are not allowed any more."""
    return [payload for payload in sender.heard("dosingd/calm/orders") if payload]
