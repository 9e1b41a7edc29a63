"""The link on a bad network, at a broker that is full, and over a month without any."""

from __future__ import annotations

import contextlib
import gc
import socket
import threading
import tracemalloc
from pathlib import Path

import pytest

from dosingd.mqtt import trouble
from dosingd.mqtt.box import DOSES_KEPT
from dosingd.mqtt.link import Link
from dosingd.mqtt.topics import DoseEvent
from dosingd.mqtt.trouble import Trouble
from dosingd.plan.model import Broker as Settings
from dosingd.records import Held, Reserved, Row, Settled
from dosingd.state import RigState
from tests.builders import ALK, CA, plan
from tests.daemon.manned import Manned
from tests.mqtt.broker import Broker, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import ALIVE, CLOCK, RIG, Log, held_for, linked, says
from tests.mqtt.proxy import Proxy
from tests.mqtt.states import channel, dose, state

pytestmark = [pytest.mark.broker, needs_mosquitto]


def test_a_connection_that_is_half_open_is_noticed_and_replaced(tmp_path: Path) -> None:
    """Nothing arrives any more and nothing says so; the broker holds the old connection for good."""
    log = Log()
    with Broker(tmp_path) as broker, Proxy(broker.port) as wire, Listener(broker) as listener:
        with linked(Settings("127.0.0.1", wire.port), log) as link:
            link.show(held_for("before"))
            listener.wait_for(RIG, says("before"))
            wire.stall()
            link.show(held_for("into the void"))
            wait_until(lambda: wire.taken == 2, "the silence is noticed, and another connection made", 6)
            took_s = wait_until(lambda: link.connected, "connected")
            listener.wait_for(RIG, says("into the void"))
            listener.wait_for(ALIVE, "online")
            assert took_s < 3
        listener.wait_for(ALIVE, "offline")
    assert len(log.with_word("no answer for 1 s")) == 1


def test_a_network_that_comes_and_goes_costs_neither_memory_nor_a_log_full_of_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trouble, "ABSENT_WAIT_S", 0.02)
    log = Log()
    with Broker(tmp_path) as broker, Proxy(broker.port) as wire, linked(Settings("127.0.0.1", wire.port), log) as link:
        grown: list[int] = []
        pause = threading.Event()
        tracemalloc.start()
        for number in range(60):
            link.show(held_for(f"round {number}"))
            wait_until(lambda: link.connected, "connected")
            link.dose(dose(number))
            pause.wait(0.01)
            wire.cut()
            wait_until(lambda: not link.connected, "lost")
            link._box.bell.ring()
            gc.collect()
            grown.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
        wait_until(lambda: link.connected, "connected in the end", 12)
        link.show(held_for("in the end"))
        with Listener(broker) as listener:
            listener.wait_for(RIG, says("in the end"))
    assert len(log.lines) < 10
    print(f"{grown[20]} bytes after twenty losses, {grown[-1]} after sixty")
    assert grown[-1] - grown[20] < 50_000


def test_a_broker_with_no_place_left_is_told_of_and_taken_when_there_is_one(tmp_path: Path) -> None:
    log = Log()
    with Broker(tmp_path, more=("max_connections 5",)) as broker, contextlib.ExitStack() as others:
        broker_log = next(tmp_path.glob("mosquitto-*.log"))

        def full() -> bool:
            others.enter_context(socket.create_connection(("127.0.0.1", broker.port)))
            said = broker_log.read_text(encoding="utf-8")
            # The connection with which the start was waited for has gone by then.
            return "closed its connection" in said and said.endswith("exceeded.\n")

        wait_until(full, "every place is taken")
        with linked(broker, log) as link:
            link.show(state())
            wait_until(lambda: "before it answers" in (link.why_not or ""), "refused")
            others.close()
            wait_until(lambda: link.connected, "there is a place now")
    assert len(log.with_word("before it answers")) == 1


def test_a_broker_that_takes_only_small_packets_is_told_of(tmp_path: Path) -> None:
    log = Log()
    with Broker(tmp_path, more=("max_packet_size 200",)) as broker, linked(broker, log) as link:
        link.show(state())
        wait_until(lambda: "a limit of the broker's own is met" in (link.why_not or ""), "told")
    assert len(log.lines) < 10


def test_a_broker_that_lets_fall_what_is_large_keeps_the_rest(tmp_path: Path) -> None:
    with Broker(tmp_path, more=("message_size_limit 100",)) as broker, Listener(broker) as listener:
        with linked(broker) as link:
            link.show(state())
            listener.wait_for(ALIVE, "online")
            pause = threading.Event()
            pause.wait(0.5)
            assert link.connected
            assert listener.heard(ALIVE) == ["online"], "and the connection held"
            assert link.denied is not None
            assert "does not take" in link.denied.text
        listener.wait_for(ALIVE, "offline")


def test_a_subscriber_that_is_full_costs_the_rig_nothing(tmp_path: Path) -> None:
    """The broker drops what a slow subscriber cannot take; the rig is acknowledged all the same."""
    lines = ("max_queued_messages 1", "max_inflight_messages 1")
    with Broker(tmp_path, more=lines) as broker, linked(broker) as link:
        wait_until(lambda: link.connected, "connected")
        names = [f"channel-{number}" for number in range(200)]
        link.show(state(*map(channel, names)))
        link.show(held_for("the newest"))
        with Listener(broker) as listener:
            listener.wait_for(ALIVE, "online")
        assert link.connected


# -- a month --------------------------------------------------------------------------------------------------


class Away(Manned):
    """A rig in virtual time, with nobody to tell but a link whose broker is away."""

    def __init__(self, link: Link) -> None:
        super().__init__(plan(ALK, CA))
        self.link, self.count = link, 0
        self.duty._show = link.show
        self.duty._row_told = self._row_told

    def _row_told(self, row: Row, reserved: Row | None) -> None:
        if isinstance(row.event, Settled):
            self.count += 1
            self.link.dose(dose(self.count, row.event.channel))


def kept(kind: type) -> int:
    """How many values of a kind there are in this process."""
    gc.collect()
    return sum(isinstance(each, kind) for each in gc.get_objects())


def days_without_a_broker(days: int, monkeypatch: pytest.MonkeyPatch, directory: Path) -> None:
    """So many days in virtual time: the doses on time, nothing kept but the newest, and all told when it is back."""
    monkeypatch.setattr(trouble, "ABSENT_WAIT_S", 0.002)  # tries as many as in days, in the test's own time
    tries: list[None] = []
    told = trouble.of_connecting

    def counted(of: Settings, error: Exception) -> Trouble:
        tries.append(None)
        return told(of, error)

    monkeypatch.setattr(trouble, "of_connecting", counted)
    broker, log = Broker(directory), Log()
    link = Link(Settings("127.0.0.1", broker.port), "demo", clock=CLOCK, say=log.say, first_wait_s=0.001)
    link.start()
    in_the_link: list[int] = []
    before = kept(RigState), kept(DoseEvent)
    with Away(link) as rig:
        rig.live(43_200.0)
        tracemalloc.start()
        for _ in range(2 * days - 1):
            rig.live(43_200.0)
            gc.collect()
            here = [tracemalloc.Filter(True, f"*/{room}/*") for room in ("dosingd/mqtt", "paho/mqtt")]
            traces = tracemalloc.take_snapshot().filter_traces(here)
            in_the_link.append(sum(each.size for each in traces.statistics("filename")))
        tracemalloc.stop()
        states, doses = kept(RigState) - before[0], kept(DoseEvent) - before[1]
        late_s = [
            (row.reading.wall_at - row.event.due_at).total_seconds()
            for row in rig.rig.rows(Reserved)
            if isinstance(row.event, Reserved) and row.event.due_at is not None
        ]
        print(
            f"{days} days without a broker: {len(late_s)} doses, latest {max(late_s):.3f} s; {len(tries)} tries;"
            f" {states} states and {doses} doses kept; {in_the_link[0]} to {max(in_the_link)} bytes in the link"
        )
        assert len(late_s) == days * (ALK.doses + CA.doses)
        assert max(late_s) < 1.0
        assert len(tries) > 100
        assert states <= 4
        assert doses <= DOSES_KEPT
        assert max(in_the_link) < 200_000
        assert len(log.lines) <= 2
        with broker:
            took_s = wait_until(lambda: link.connected, "connected")
            rig.write(Held("the newest"))
            with Listener(broker) as listener:
                listener.wait_for("dosingd/demo/rig", says("the newest"))
                listener.wait_for("dosingd/demo/channel/ca", lambda payload: payload != "")
        assert took_s < 5
        link.stop(2.0)


def test_two_days_without_a_broker(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    days_without_a_broker(2, monkeypatch, tmp_path)


@pytest.mark.campaign
def test_a_month_without_a_broker(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    days_without_a_broker(30, monkeypatch, tmp_path)
