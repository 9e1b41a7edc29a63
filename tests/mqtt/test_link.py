"""The link against a real broker: away, back, frozen, stopped; what is told, and that nobody waits for it."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import tracemalloc
from array import array
from pathlib import Path

import pytest
from attrs import evolve

from dosingd.mqtt.box import DOSES_KEPT
from dosingd.mqtt.connection import UNACKNOWLEDGED
from dosingd.mqtt.link import Link
from dosingd.mqtt.outbox import REPUBLISH_S
from dosingd.plan.model import Broker as Settings
from tests.mqtt.broker import Broker, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import ALIVE, ALK, CA, CLOCK, RIG, Ahead, Log, held_for, linked, no_thread, says, seconds
from tests.mqtt.states import channel, dose, state

pytestmark = [pytest.mark.broker, needs_mosquitto]

ROOT = Path(__file__).parents[2]


def test_a_broker_that_is_absent_at_the_start_is_told_everything_when_it_comes(tmp_path: Path) -> None:
    broker, log = Broker(tmp_path), Log()
    with linked(broker, log) as link:
        link.show(state())
        wait_until(lambda: "nothing listens" in (link.why_not or ""), "the link knows why not")
        assert link.connected is False
        with broker:
            took_s = wait_until(lambda: link.connected, "connected")
            with Listener(broker) as listener:
                listener.wait_for(ALIVE, "online")
                for topic in (RIG, ALK, CA):
                    listener.wait_for(topic, lambda payload: payload != "")
                assert json.loads(listener.heard(ALK)[-1])["given_today_ml"] == 31.517
            assert link.why_not is None
    assert took_s < 5
    assert [priority for priority, _ in log.lines][:2] == ["warning", "info"]
    assert len(log.with_word("nothing listens")) == len(log.with_word("Connected")) == 1


def test_a_broker_that_is_restarted_is_told_the_newest_state_and_the_doses_in_between(tmp_path: Path) -> None:
    log = Log()
    with Broker(tmp_path) as broker, linked(broker, log) as link:
        link.show(held_for("before"))
        with Listener(broker) as listener:
            listener.wait_for(RIG, says("before"))
        broker.stop()
        wait_until(lambda: not link.connected, "the loss is noticed")
        for number in range(3):
            link.show(held_for(f"while it was away {number}"))
            link.dose(dose(number))
        broker.start()
        with Listener(broker) as listener:
            listener.wait_for(ALIVE, "online")
            listener.wait_for(RIG, says("while it was away 2"))
            listener.wait_for(CA, lambda payload: payload != "")
            assert len(listener.heard(RIG)) == 1  # the state, not its history
        assert len(log.with_word("lost")) == 1
        assert len(log.with_word("Connected")) == 2


def test_doses_arrive_in_order_and_are_not_retained(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker) as link:
        for number in range(60):  # three times what may be under way at once
            link.dose(dose(number))
        listener.wait_for_count(f"{ALK}/dose", 60)
        slots = [json.loads(payload)["slot"] for payload in listener.heard(f"{ALK}/dose")]
        assert slots == [f"2026-01-15/alk/{number}" for number in range(60)]
        with Listener(broker) as late:
            late.wait_for(ALIVE, "online")
            assert f"{ALK}/dose" not in late.topics()


def test_a_dose_that_was_not_acknowledged_is_told_again(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker) as link:
        wait_until(lambda: link.connected, "connected")
        broker.freeze()
        link.dose(dose(1))
        wait_until(lambda: not link.connected, "the silence is noticed")
        link.dose(dose(2))
        broker.thaw()  # now it hears what was said to it before, and then once more what nobody knew it had heard
        listener.wait_for_count(f"{ALK}/dose", 3)
        slots = [json.loads(payload)["slot"][-1] for payload in listener.heard(f"{ALK}/dose")]
        assert slots == ["1", "1", "2"]


def test_what_a_broker_does_not_acknowledge_is_bounded_too(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, linked(broker, keepalive_s=10) as link:
        wait_until(lambda: link.connected, "connected")
        broker.freeze()
        pause = threading.Event()
        for number in range(600):
            link.dose(dose(number))
            pause.wait(0.001)  # the link gets to take it
        wait_until(lambda: link.doses_dropped >= 600 - DOSES_KEPT - UNACKNOWLEDGED, "no more than that is kept")
        assert link.connected is True


def test_more_topics_than_may_be_under_way_at_once_are_all_told(tmp_path: Path) -> None:
    names = [f"channel-{number}" for number in range(3 * UNACKNOWLEDGED)]
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker) as link:
        link.show(state(*map(channel, names)))
        wait_until(lambda: len(listener.topics()) == len(names) + 2, "all of them and the rig's two")


def test_a_frozen_broker_is_noticed_and_costs_nothing_and_is_told_everything_when_it_thaws(tmp_path: Path) -> None:
    log = Log()
    with Broker(tmp_path) as broker, linked(broker, log) as link:
        link.show(held_for("before"))
        wait_until(lambda: link.connected, "connected")
        broker.freeze()
        took_s = [seconds(link.show, held_for(f"frozen {number}")) for number in range(500)]
        took_s += [seconds(link.dose, dose(number)) for number in range(500)]
        assert sorted(took_s)[900] < 0.01
        assert max(took_s) < 1.0  # whatever else this machine does
        wait_until(lambda: not link.connected, "the silence is noticed")
        assert "no answer for 1 s" in (link.why_not or "")
        link.show(held_for("the newest"))
        broker.thaw()
        with Listener(broker) as listener:
            listener.wait_for(RIG, says("the newest"))
            listener.wait_for(ALIVE, "online")


def test_a_rig_that_is_killed_is_offline(tmp_path: Path) -> None:
    program = (
        "import sys, threading\n"
        "from dosingd.clock import SystemClock\n"
        "from dosingd.mqtt.link import Link\n"
        "from dosingd.plan.model import Broker\n"
        "link = Link(Broker('127.0.0.1', int(sys.argv[1])), 'lagoon', clock=SystemClock(), say=lambda *_: None)\n"
        "link.start()\n"
        "threading.Event().wait(60)\n"
    )
    with Broker(tmp_path) as broker, Listener(broker) as listener:
        child = subprocess.Popen([sys.executable, "-c", program, str(broker.port)], cwd=ROOT)
        try:
            listener.wait_for(ALIVE, "online")
            child.send_signal(signal.SIGKILL)
            listener.wait_for(ALIVE, "offline")
            with Listener(broker) as late:
                late.wait_for(ALIVE, "offline")  # retained
        finally:
            child.kill()
            child.wait()


def test_a_link_that_is_stopped_says_offline_itself_and_tells_what_it_has(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Listener(broker) as listener:
        with linked(broker) as link:
            wait_until(lambda: link.connected, "connected")
            link.show(held_for("the last word"))
            assert seconds(link.stop, 5.0) < 2.0
            assert link.connected is False
            assert link.why_not == "the link was stopped."
        listener.wait_for(ALIVE, "offline")
        listener.wait_for(RIG, says("the last word"))
        assert listener.heard(ALIVE) == ["online", "offline"]  # and not once more by the last will
        link.show(state())
        link.dose(dose())
        link.stop(1.0)


def test_stopping_waits_for_no_broker(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, linked(broker) as link:
        wait_until(lambda: link.connected, "connected")
        broker.freeze()
        assert seconds(link.stop, 0.5) < 1.0


def test_ten_thousand_changes_while_the_broker_is_away_fit_in_the_same_memory(tmp_path: Path) -> None:
    broker, log = Broker(tmp_path), Log()
    with linked(broker, log) as link:
        wait_until(lambda: "nothing listens" in (link.why_not or ""), "away")

        def change(number: int) -> float:
            return seconds(link.show, held_for(f"change {number}")) + seconds(link.dose, dose(number))

        for number in range(2 * DOSES_KEPT):
            change(number)
        took_s = array("d", bytes(8 * 10_000))
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        for number in range(10_000):
            took_s[number] = change(number)
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
        print(f"grown by {grown} bytes; median {sorted(took_s)[5_000] * 1e6:.1f} µs, worst {max(took_s) * 1e3:.1f} ms")
        assert grown < 200_000, "the row of doses once over, and what a few tries left behind"
        assert sorted(took_s)[9_500] < 0.01
        assert max(took_s) < 1.0  # whatever else this machine does
        assert link.doses_dropped == 10_000 + DOSES_KEPT
        with broker, Listener(broker) as listener:
            listener.wait_for(RIG, says("change 9999"))
            listener.wait_for(f"{ALK}/dose", lambda payload: '/9999"' in payload)
    assert len(log.with_word("10200 doses were not told")) == 1


def test_a_channel_that_left_the_plan_leaves_the_broker(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, linked(broker) as link:
        with Listener(broker) as listener:
            link.show(state())
            listener.wait_for(CA, lambda payload: payload != "")
            link.show(state(channel("alk")))
            listener.wait_for(CA, "")
        with Listener(broker) as late:
            late.wait_for(ALIVE, "online")
            late.wait_for(ALK, lambda payload: payload != "")
            assert late.topics() == {ALIVE, RIG, ALK}


def test_nothing_is_told_twice_but_all_of_it_each_minute(tmp_path: Path) -> None:
    clock = Ahead()
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker, clock=clock) as link:
        alk = channel("alk")
        for allowance_ul in range(20):
            link.show(state(evolve(alk, allowance_ul=allowance_ul)))
            link.dose(dose(allowance_ul))
            listener.wait_for_count(
                f"{ALK}/dose", allowance_ul + 1
            )  # the state before it was told or held back by then
        assert [len(listener.heard(topic)) for topic in (ALIVE, RIG, ALK)] == [1, 1, 1]
        listener.publish(ALIVE, "offline")  # as another's last will would
        clock.ahead_s = REPUBLISH_S
        listener.wait_for(ALIVE, "online")
        listener.wait_for_count(RIG, 2)
        listener.wait_for(ALK, lambda payload: bool(json.loads(payload)["allowance_ml"] == 0.019))
        assert [len(listener.heard(topic)) for topic in (RIG, ALK)] == [2, 2]


def test_news_goes_out_at_once(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker) as link:
        took_s, pause = [], threading.Event()
        for number in range(11):
            pause.wait(0.05)  # until the link has nothing else to wake up for
            reason = f"news {number}"
            began_s = CLOCK.now().mono_s
            link.show(held_for(reason))
            listener.wait_for(RIG, says(reason))
            took_s.append(CLOCK.now().mono_s - began_s)
        assert sorted(took_s)[5] < 0.1  # far from the tick of a second


def test_a_link_that_was_never_started_can_be_shown_things_and_stopped() -> None:
    link = Link(Settings("127.0.0.1", 1), "lagoon", clock=CLOCK, say=Log().say)
    link.show(state())
    link.dose(dose())
    assert link.why_not == "the link has not been started yet."
    link.stop(1.0)
    link.start()
    assert no_thread()
