"""The link and brokers that do not want it: refused, unknown, silent, pushed out; and faults of its own."""

from __future__ import annotations

import os
import socket
import threading
from pathlib import Path

import pytest

from dosingd.mqtt.connection import CONNECT_S, STABLE_S, Connection
from dosingd.mqtt.link import Link
from dosingd.plan.model import Broker as Settings
from tests.mqtt.broker import PATIENCE_S, Broker, Certificates, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import ALIVE, ALK, CA, CLOCK, RIG, Ahead, Log, held_for, linked, no_thread, says, seconds
from tests.mqtt.states import dose, state

pytestmark = [pytest.mark.broker, needs_mosquitto]


def test_stopping_waits_for_no_connection_that_is_being_made() -> None:
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        link = Link(Settings("127.0.0.1", deaf.getsockname()[1], tls=True), "lagoon", clock=CLOCK, say=Log().say)
        link.start()
        with deaf.accept()[0]:  # the greeting of TLS is not answered
            assert [thread.daemon for thread in threading.enumerate() if thread.name == "mqtt"] == [True]
            assert seconds(link.stop, 0.3) < 1.0
    wait_until(no_thread, "its thread ends when the connection does")


def test_a_link_that_was_stopped_while_it_connected_takes_no_ones_place(tmp_path: Path) -> None:
    """Its client id may be another link's by then."""
    with Broker(tmp_path) as broker, Listener(broker) as listener:
        old = Link(Settings("127.0.0.1", broker.port), "lagoon", clock=CLOCK, say=Log().say)
        old.stop(0.0)
        late = Connection(old)  # what its thread comes back to, when connecting took longer than the stop waited
        late.live()
        late.close()
        with linked(broker):
            listener.wait_for(ALIVE, "online")
            assert listener.heard(ALIVE) == ["online"]


def test_a_refused_password_is_told_once_and_taken_when_the_file_is_mended(tmp_path: Path) -> None:
    log, file = Log(), tmp_path / "password"
    with Broker(tmp_path, users={"lagoon": "right-word"}) as broker:
        settings = Settings("127.0.0.1", broker.port, username="lagoon", password_file=str(file))
        with linked(settings, log) as link:
            wait_until(lambda: "No such file" in (link.why_not or ""), "the missing file is told")
            file.write_text("wrong-word\n", encoding="ascii")
            wait_until(lambda: "refuses the user lagoon" in (link.why_not or ""), "the refusal is told")
            assert str(file) in (link.why_not or "")
            file.write_text("right-word\n", encoding="ascii")
            wait_until(lambda: link.connected, "connected")
            link.show(state())
            with Listener(broker) as listener:
                listener.wait_for(RIG, lambda payload: payload != "")
    assert len(log.with_word("No such file")) == len(log.with_word("refuses the user")) == 1
    assert not log.with_word("-word")


def test_a_reason_is_told_once_however_often_it_is_tried() -> None:
    log = Log()
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen()
        door.settimeout(PATIENCE_S)
        with linked(Settings("127.0.0.1", door.getsockname()[1]), log):
            for _ in range(4):
                door.accept()[0].close()
    assert len(log.with_word("before it answers")) == 1


def test_a_broker_that_takes_the_connection_and_says_nothing_is_left() -> None:
    clock = Ahead()
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen()
        settings = Settings("127.0.0.1", door.getsockname()[1])
        with linked(settings, clock=clock, keepalive_s=60) as link, door.accept()[0] as taken:
            taken.recv(1)  # the link waits for an answer now

            def given_up() -> bool:
                clock.ahead_s += CONNECT_S  # over and over: from when on it waits is not to be seen from here
                return "does not answer within 10 s" in (link.why_not or "")

            wait_until(given_up, "it does not wait for ever", CONNECT_S / 2)


def test_after_a_connection_that_held_the_waits_begin_small_again(tmp_path: Path) -> None:
    broker, clock = Broker(tmp_path), Ahead()
    with socket.socket() as door, linked(broker, clock=clock) as link:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(("127.0.0.1", broker.port))
        door.listen()
        for _ in range(4):  # after which it waits 0.8 s, then 1.6 s and so on
            door.accept()[0].close()
        door.close()
        broker.start()
        wait_until(lambda: link.connected, "connected")
        link.show(state())
        with Listener(broker) as listener:
            clock.ahead_s = STABLE_S
            listener.wait_for_count(ALIVE, 2)  # it has seen that it held
        broker.stop()
        wait_until(lambda: not link.connected, "lost")
        with broker:
            assert wait_until(lambda: link.connected, "connected again") < 0.7


def test_own_authority_right_name(tmp_path: Path) -> None:
    certificates = Certificates(tmp_path)
    with Broker(tmp_path, certificates=certificates) as broker, Listener(broker) as listener:
        with linked(Settings("localhost", broker.port, tls=True, ca_file=str(certificates.authority))) as link:
            link.show(state())
            link.dose(dose(1))
            for topic in (RIG, ALK, CA, f"{ALK}/dose"):
                listener.wait_for(topic, lambda payload: payload != "")
            link.show(held_for("at once"))
            listener.wait_for(RIG, says("at once"))
        listener.wait_for(ALIVE, "offline")


@pytest.mark.parametrize(
    ("host", "own", "words"),
    [
        ("127.0.0.1", True, "another name than 127.0.0.1"),
        ("localhost", False, "not signed by an authority that this system knows"),
    ],
)
def test_a_wrong_name_or_authority_is_refused_in_words(tmp_path: Path, host: str, own: bool, words: str) -> None:
    certificates, log = Certificates(tmp_path), Log()
    with Broker(tmp_path, certificates=certificates) as broker, Listener(broker) as listener:
        ca_file = str(certificates.authority) if own else None
        with linked(Settings(host, broker.port, tls=True, ca_file=ca_file), log) as link:
            link.show(state())
            wait_until(lambda: words in (link.why_not or ""), words)
        assert len(log.with_word(words)) == 1
        assert listener.heard() == []


def test_an_authority_whose_file_is_mended_is_taken(tmp_path: Path) -> None:
    certificates, file = Certificates(tmp_path), tmp_path / "ca.pem"
    other = tmp_path / "other"
    other.mkdir()
    file.write_bytes(Certificates(other).authority.read_bytes())
    with (
        Broker(tmp_path, certificates=certificates) as broker,
        linked(Settings("localhost", broker.port, tls=True, ca_file=str(file))) as link,
    ):
        wait_until(lambda: "not signed by an authority" in (link.why_not or ""), "refused")
        file.write_bytes(certificates.authority.read_bytes())
        wait_until(lambda: link.connected, "connected")


def test_tls_on_a_plain_port_and_the_other_way_round(tmp_path: Path) -> None:
    with Broker(tmp_path) as plain, linked(Settings("localhost", plain.port, tls=True)) as link:
        wait_until(lambda: "speak TLS" in (link.why_not or ""), "a plain port")
    with Broker(tmp_path, certificates=Certificates(tmp_path)) as tls, linked(tls) as link:
        wait_until(lambda: "mqtt.tls" in (link.why_not or ""), "a port with TLS")


def test_two_rigs_of_one_name_push_each_other_out_and_neither_dies(tmp_path: Path) -> None:
    logs = Log(), Log()
    with Broker(tmp_path) as broker, linked(broker, logs[0]) as one:
        with linked(broker, logs[1]):
            for log in logs:
                wait_until(lambda log=log: log.with_word("another rig is dosingd-lagoon as well") != [], "told")  # type: ignore[misc]
        wait_until(lambda: one.connected, "the one that is left")
        with Listener(broker) as listener:
            listener.wait_for(ALIVE, "online")
    assert max(len(log.lines) for log in logs) < 12


def test_whatever_fails_in_the_link_is_told_and_begun_anew(tmp_path: Path) -> None:
    log = Log()
    with Broker(tmp_path) as broker, Listener(broker) as listener, linked(broker, log) as link:
        wait_until(lambda: link.connected, "connected")
        link.show(state(timezone="Nowhere/Atlantis"))
        wait_until(lambda: "a fault of the link itself" in (link.why_not or ""), "the fault is told")
        assert log.with_word("Nowhere/Atlantis")
        link.show(held_for("mended"))
        listener.wait_for(RIG, says("mended"))


def test_a_log_that_fails_costs_nothing(tmp_path: Path) -> None:
    def say(priority: str, text: str) -> None:
        raise OSError("no space left")

    with Broker(tmp_path) as broker, Listener(broker) as listener:
        link = Link(Settings("127.0.0.1", broker.port), "lagoon", clock=CLOCK, say=say)
        link.start()
        link.show(state())
        listener.wait_for(RIG, lambda payload: payload != "")
        assert link.connected is True
        link.stop(2.0)


def test_no_descriptor_is_left_behind_by_tries_and_connections(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    with broker:
        with linked(broker) as link:
            wait_until(lambda: link.connected, "connected")
        before = len(os.listdir("/proc/self/fd"))
        for _ in range(5):
            with linked(broker) as link:
                wait_until(lambda link=link: link.connected, "connected")  # type: ignore[misc]
        assert len(os.listdir("/proc/self/fd")) == before
