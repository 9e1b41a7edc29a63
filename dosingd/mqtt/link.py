"""The link to the broker.

One thread of its own lives one connection after the other, each on a new client, for ever. Nobody waits for it: `show`
and `dose` leave something in a box and return, and whatever fails in here is told in words and begun anew (R13). Memory
is bounded: one state, so many doses, so many unacknowledged messages.
"""

from __future__ import annotations

import contextlib
import ssl
import threading
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from paho.mqtt.enums import MQTTProtocolVersion

from dosingd.clock import Clock
from dosingd.mqtt import discovery, trouble
from dosingd.mqtt.box import Box
from dosingd.mqtt.changes import Changes
from dosingd.mqtt.connection import Connection
from dosingd.mqtt.granted import Denied, Granted
from dosingd.mqtt.left import Left
from dosingd.mqtt.outbox import Outbox
from dosingd.mqtt.secrecy import open_to_others
from dosingd.mqtt.topics import (
    DoseEvent,
    Message,
    alive_message,
    answer_message,
    messages,
    order_topic,
    orders_message,
)
from dosingd.mqtt.trouble import Trouble
from dosingd.plan.model import Broker
from dosingd.state import RigState

#: Seconds without a word from the broker after which it is asked; as many again, and it is lost.
KEEPALIVE_S = 30
#: The wait before the second try; it doubles, up to what the trouble says.
FIRST_WAIT_S = 1.0


Answered = Callable[[str, Mapping[str, Any]], None]


class TakesOrders(Protocol):
    """Where orders go. All of it is called on the link's thread, and none of it waits or raises."""

    def came(self, payload: bytes, *, retained: bool, answer: Answered) -> None:
        """One message; `answer(id, data)` may be called once, from any thread."""

    def counts(self) -> Mapping[str, Any]:
        """How many were taken and refused."""

    def tick(self) -> None:
        """Called about once a second."""


class Link:
    """A rig's link to its broker.

    `say(priority, text)` is told of changes only, with journald's words for priorities; it must not block. A link whose
    rig or broker changes is stopped, and another is made.
    """

    def __init__(
        self,
        broker: Broker,
        rig: str,
        *,
        clock: Clock,
        say: Callable[[str, str], None],
        orders: TakesOrders | None = None,
        keepalive_s: int = KEEPALIVE_S,
        first_wait_s: float = FIRST_WAIT_S,
        left: Left | None = None,
    ) -> None:
        self.broker = broker
        self.rig = rig
        #: Always the same, so that the broker lets the old connection go, last will and all, before it takes a new one.
        self.client_id = f"dosingd-{rig}"
        self.connected = False
        self.why_not: str | None = "the link has not been started yet."
        self._clock = clock
        self._say = say
        #: Only where the plan allows orders is their topic subscribed to (R10).
        self._orders = orders if broker.orders else None
        self._keepalive_s = keepalive_s
        self._first_wait_s = first_wait_s
        self._box = Box()
        self._outbox = Outbox()
        self._outbox.want([alive_message(rig, online=True)])
        self._left = left  #: what an earlier link left on this broker
        if left is not None:
            self._outbox.found(left.topics())
        self._zone = "UTC"  # until a state was shown
        self._changes = Changes()
        self._granted = Granted(rig, broker.username, trouble.place(broker), self._hears())
        self._kept_order: bytes | None = None  #: the newest that the broker kept
        self._dropped_told = 0
        self._tls: ssl.SSLContext | None = None
        self._stopping = threading.Event()
        self._stop_by_mono_s = 0.0
        self._thread: threading.Thread | None = None

    @property
    def doses_dropped(self) -> int:
        """How many doses were dropped, because the broker was away too long."""
        return self._box.dropped

    @property
    def denied(self) -> Denied | None:
        """What the broker denies the rig, so that it does not arrive; None: nothing that is known of."""
        return self._granted.denied

    def start(self) -> None:
        """Begin to connect, and go on for ever. Returns at once."""
        if self._thread is None and not self._stopping.is_set():
            self.why_not = f"the first try to reach {trouble.place(self.broker)} goes on."
            self._thread = threading.Thread(target=self._live, name="mqtt", daemon=True)
            self._thread.start()

    def show(self, state: RigState) -> None:
        """This is the rig now; only the newest counts. Never blocks, never raises."""
        self._box.put_state(state)

    def dose(self, event: DoseEvent) -> None:
        """This became of a dose. Never blocks, never raises; while the broker is away only the newest are kept."""
        self._box.put_dose(event)

    def answer(self, order_id: str, data: Mapping[str, Any]) -> None:
        """This came of an order. Never blocks, never raises; while the broker is away only the newest are kept."""
        self._box.put_answer(answer_message(self.rig, order_id, data))

    def stop(self, timeout_s: float) -> None:
        """Say `offline`, disconnect, and return after `timeout_s` at the latest, whatever the broker does."""
        self._stop_by_mono_s = self._clock.now().mono_s + 0.9 * timeout_s
        self._stopping.set()
        self._box.bell.ring()
        if self._thread is None:
            self._box.bell.close()
        else:
            self._thread.join(timeout_s)
        self.connected, self.why_not = False, "the link was stopped."

    # What follows runs in the link's own thread.

    def _hears(self) -> dict[str, str]:
        """The topics that are subscribed to, and what is lost without each."""
        heard = {}
        if self._orders is not None:
            heard[order_topic(self.rig)] = "no order arrives, no hold either"
        if self.broker.hub_discovery:
            heard[discovery.birth_topic(self.broker.hub_prefix)] = "a hub that starts anew may miss its entities"
        return heard

    def _tell_secrecy(self) -> None:
        file = self.broker.password_file
        found = None if file is None else open_to_others(file)
        if found is not None:
            self._tell("warning", f"The broker's password: {found}")

    def _live(self) -> None:
        self._tell_secrecy()
        wait_s, version = self._first_wait_s, MQTTProtocolVersion.MQTTv5
        while not self._stopping.is_set():
            connection = Connection(self, version)
            try:
                ended = connection.live()
            except Exception as error:
                ended = trouble.of_fault(error)
            connection.close()
            if ended is None or self._stopping.is_set():
                break
            if ended.of_version and version == MQTTProtocolVersion.MQTTv5:
                version = MQTTProtocolVersion.MQTTv311  # at once: it may know no other
                continue
            version = MQTTProtocolVersion.MQTTv5
            if connection.held:
                wait_s = self._first_wait_s
            self._lost(ended, connection)
            self._stopping.wait(min(wait_s, ended.longest_wait_s))
            wait_s = min(2 * wait_s, ended.longest_wait_s)
        self._box.bell.close()

    def _made(self) -> None:
        self.connected, self.why_not = True, None
        self._outbox.connected()
        self._granted.connected()
        if self._changes.made():
            self._tell_connected()
        dropped = self._box.dropped - self._dropped_told
        if dropped > 0:
            self._dropped_told += dropped
            self._tell("warning", f"{dropped} doses were not told to the broker. The ledger has them: dosingd history")

    def _held(self) -> None:
        if self._changes.held():
            self._tell_connected()

    def _lost(self, ended: Trouble, connection: Connection) -> None:
        self.connected, self.why_not = False, ended.text
        if ended.of_tls:
            self._tls = None  # the file of authorities may be mended: it is read again
        if self._changes.lost(ended.text, was_made=connection.made_mono_s is not None, had_held=connection.held):
            self._tell("warning", f"The broker is not told: {ended.text}")

    def _tell_denied(self) -> None:
        denied = self._granted.denied
        if denied is None:
            self._tell("info", f"The broker {trouble.place(self.broker)} denies the rig nothing any more.")
        else:
            self._tell("warning", f"{denied.text} Next: {denied.next_step}")

    def _tell_connected(self) -> None:
        self._tell("info", f"Connected to the broker {trouble.place(self.broker)} as {self.client_id}.")

    def _tell(self, priority: str, text: str) -> None:
        # A log that fails must not cost the connection, and there is nobody left to tell.
        with contextlib.suppress(Exception):
            self._say(priority, text)

    def _take_state(self) -> None:
        state = self._box.take_state()
        if state is not None:
            hub = self.broker.hub_prefix if self.broker.hub_discovery else None
            announced = () if hub is None else discovery.configs(state, hub)
            wanted = [alive_message(self.rig, online=True), *messages(state), *announced]
            wanted.extend(self._counts())
            self._outbox.want(wanted, self._clock.now().mono_s)
            self._zone = state.timezone
        if self._left is not None:
            self._left.keep(self._outbox.topics())

    def _counts(self) -> tuple[Message, ...]:
        return () if self._orders is None else (orders_message(self.rig, self._orders.counts()),)
