"""A real mosquitto on a free port of this machine, as a child of the test; certificates for it; and somebody who
listens to it on a connection of their own.

    broker = Broker(tmp_path)            # or users={"lagoon": "secret"}, certificates=Certificates(tmp_path)
    broker.start() · stop() · kill() · freeze() · thaw()
    with Listener(broker) as listener: listener.wait_for("dosingd/lagoon/alive", "online")
"""

from __future__ import annotations

import contextlib
import getpass
import os
import random
import shutil
import signal
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from dosingd.clock import SystemClock

#: How long anything here may take before the test is red, in seconds.
PATIENCE_S = 15.0

# Distributions keep the broker where only root's path leads.
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not on the path")

_clock = SystemClock()


def wait_until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> float:
    """Wait until something holds, and return how many seconds that took; red when it does not come to hold."""
    began_s = _clock.now().mono_s
    pause = threading.Event()
    while not true():
        assert _clock.now().mono_s - began_s < patience_s, f"not within {patience_s} s: {what}"
        pause.wait(0.01)
    return _clock.now().mono_s - began_s


def free_port() -> int:
    """A port of 127.0.0.1 on which nothing listens. It is below those that Linux gives to clients (ip(7),
    ip_local_port_range): whoever tries one of these often enough is connected to itself one day."""
    for port in random.sample(range(20_000, 32_000), 100):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")


class Certificates:
    """An authority made for the test, and a broker's certificate from it for the name `localhost` alone."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory / "certificates"
        self._directory.mkdir()
        self.authority = self._directory / "authority.pem"
        self.certificate = self._directory / "broker.pem"
        self.key = self._directory / "broker-key.pem"
        (self._directory / "extra").write_text("subjectAltName = DNS:localhost\n", encoding="ascii")
        new_key = "-newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes"
        self._openssl(
            f"req -x509 {new_key} -keyout authority-key.pem -out authority.pem -days 2 -subj /CN=test-authority"
        )
        self._openssl(f"req {new_key} -keyout broker-key.pem -out request.pem -subj /CN=localhost")
        self._openssl(
            "x509 -req -in request.pem -CA authority.pem -CAkey authority-key.pem -CAcreateserial -days 2"
            " -extfile extra -out broker.pem"
        )

    def _openssl(self, arguments: str) -> None:
        subprocess.run(["openssl", *arguments.split()], cwd=self._directory, check=True, capture_output=True)


class Broker:
    """One mosquitto with one listener on 127.0.0.1. It keeps nothing over a restart, so that what is there afterwards
    was told again."""

    def __init__(
        self,
        directory: Path,
        *,
        users: dict[str, str] | None = None,
        certificates: Certificates | None = None,
        more: tuple[str, ...] = (),
        own_rights: bool = False,
    ) -> None:
        """`more` are lines of its configuration; with `own_rights` they say who may connect."""
        self._more, self._own_rights = more, own_rights
        self.port = free_port()
        self.certificates = certificates
        self.users = users
        self._directory = directory
        self._process: subprocess.Popen[bytes] | None = None
        self._config = directory / f"mosquitto-{self.port}.conf"
        self._config.write_text(self._lines(), encoding="utf-8")

    def _lines(self) -> str:
        lines = [
            "per_listener_settings true",
            f"user {getpass.getuser()}",  # as root it would change to a user who cannot read the test's files
            "persistence false",
            "log_dest stderr",
            f"listener {self.port} 127.0.0.1",
        ]
        if self._own_rights:
            lines.append("allow_anonymous false")
        elif self.users is None:
            lines.append("allow_anonymous true")
        else:
            passwords = self._directory / f"passwords-{self.port}"
            passwords.touch(mode=0o600)
            for user, password in self.users.items():
                subprocess.run(["mosquitto_passwd", "-b", passwords, user, password], check=True, capture_output=True)
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        if self.certificates is not None:
            lines += [f"certfile {self.certificates.certificate}", f"keyfile {self.certificates.key}"]
        return "\n".join([*lines, *self._more]) + "\n"

    def start(self) -> None:
        """Start it, and wait until it takes connections."""
        assert MOSQUITTO is not None
        with (self._directory / f"mosquitto-{self.port}.log").open("ab") as log:
            self._process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self._config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        wait_until(self._listens, "the broker takes connections")

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, "mosquitto ended; its log is beside its config"
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        """End it in order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """It does nothing any more; the kernel still takes connections for it."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """It goes on."""
        self._signal(signal.SIGCONT)

    def read_again(self) -> None:
        """It reads its configuration again, and its access list with it."""
        self._signal(signal.SIGHUP)

    def _signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S)
            self._process = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()


class Listener:
    """Somebody who subscribed to everything: what came in, in order, and what stands on each topic now."""

    def __init__(self, broker: Broker) -> None:
        self._changed = threading.Condition()
        self._heard: list[tuple[str, str, bool]] = []
        self._subscribed = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="")
        if broker.users is not None:
            self._client.username_pw_set(*next(iter(broker.users.items())))
        if broker.certificates is not None:
            self._client.tls_set_context(ssl.create_default_context(cafile=str(broker.certificates.authority)))
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe
        self._client.connect("127.0.0.1" if broker.certificates is None else "localhost", broker.port)
        self._client.loop_start()
        self._client.subscribe("#", qos=1)
        assert self._subscribed.wait(PATIENCE_S)

    def _on_subscribe(self, *_: Any) -> None:
        self._subscribed.set()

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        with self._changed:
            self._heard.append((message.topic, message.payload.decode("utf-8"), message.retain))
            self._changed.notify_all()

    def heard(self, topic: str | None = None) -> list[str]:
        """The payloads that came on a topic, in order; without one, on any."""
        with self._changed:
            return [payload for at, payload, _ in self._heard if topic in (None, at)]

    def topics(self) -> set[str]:
        """The topics on which something stands, or came last."""
        with self._changed:
            newest = {topic: payload for topic, payload, _ in self._heard}
        return {topic for topic, payload in newest.items() if payload}

    def wait_for(self, topic: str, payload: str | Callable[[str], bool], patience_s: float = PATIENCE_S) -> None:
        """Wait until the newest payload of a topic is this, or is as this says."""
        fits = payload if callable(payload) else payload.__eq__
        with self._changed:
            came = self._changed.wait_for(
                lambda: bool(newest := [said for at, said, _ in self._heard if at == topic]) and bool(fits(newest[-1])),
                patience_s,
            )
            assert came, f"{topic} did not become {payload!r} within {patience_s} s; heard: {self._heard[-6:]}"

    def wait_for_count(self, topic: str, count: int, patience_s: float = PATIENCE_S) -> None:
        """Wait until so many payloads came on a topic."""
        with self._changed:
            came = self._changed.wait_for(lambda: sum(at == topic for at, _, _ in self._heard) >= count, patience_s)
            assert came, f"fewer than {count} on {topic} within {patience_s} s"

    def publish(self, topic: str, payload: str) -> None:
        """Say something oneself, retained."""
        self._client.publish(topic, payload, qos=1, retain=True).wait_for_publish(PATIENCE_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        # Let go of by the last reference, and not with a cycle in any order: the library closes what it has then.
        self._client.on_message = self._client.on_subscribe = None
        del self._client
