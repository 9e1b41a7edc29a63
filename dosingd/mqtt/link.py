"""The link to the broker: the only room with paho.

One thread of its own lives one connection after the other, each on a new client, for ever. Nobody waits for it: `show`
and `dose` leave something in a box and return, and whatever fails in here is told in words and begun anew (R13). Memory
is bounded: one state, so many doses, so many unacknowledged messages.
"""

from __future__ import annotations

import contextlib
import select
import ssl
import threading
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from dosingd.clock import Clock
from dosingd.mqtt import discovery, trouble
from dosingd.mqtt.bounded import BoundedClient
from dosingd.mqtt.box import Box
from dosingd.mqtt.changes import Changes
from dosingd.mqtt.left import Left
from dosingd.mqtt.outbox import Outbox
from dosingd.mqtt.topics import (
    DoseEvent,
    Message,
    alive_message,
    answer_message,
    dose_message,
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
#: A connection that held so long was a good one: waits begin small again.
STABLE_S = 60.0
#: How long connecting may take, and how long the broker's answer to it.
CONNECT_S = 10.0
#: How often the thread looks up when nothing happens.
TICK_S = 1.0
#: So many orders are read in a second as fast as they come; then each waits, so that a flood leaves the processor to
#: those who dose.
READ_AT_ONCE = 200
BREATH_S = 0.001
#: Messages that the library may hold unacknowledged.
UNACKNOWLEDGED = 100

_KEEPALIVE_TIMEOUT = 141  # the reason code "Keep Alive timeout", MQTT 5 section 2.4


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
        self._dropped_told = 0
        self._tls: ssl.SSLContext | None = None
        self._stopping = threading.Event()
        self._stop_by_mono_s = 0.0
        self._thread: threading.Thread | None = None

    @property
    def doses_dropped(self) -> int:
        """How many doses were dropped, because the broker was away too long."""
        return self._box.dropped

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

    def _live(self) -> None:
        wait_s = self._first_wait_s
        while not self._stopping.is_set():
            connection = _Connection(self)
            try:
                ended = connection.live()
            except Exception as error:
                ended = trouble.of_fault(error)
            connection.close()
            if ended is None or self._stopping.is_set():
                break
            if connection.held:
                wait_s = self._first_wait_s
            self._lost(ended, connection)
            self._stopping.wait(min(wait_s, ended.longest_wait_s))
            wait_s = min(2 * wait_s, ended.longest_wait_s)
        self._box.bell.close()

    def _made(self) -> None:
        self.connected, self.why_not = True, None
        self._outbox.connected()
        if self._changes.made():
            self._tell_connected()
        dropped = self._box.dropped - self._dropped_told
        if dropped > 0:
            self._dropped_told += dropped
            self._tell("warning", f"{dropped} doses were not told to the broker. The ledger has them: dosingd history")

    def _held(self) -> None:
        if self._changes.held():
            self._tell_connected()

    def _lost(self, ended: Trouble, connection: _Connection) -> None:
        self.connected, self.why_not = False, ended.text
        if ended.of_tls:
            self._tls = None  # the file of authorities may be mended: it is read again
        if self._changes.lost(ended.text, was_made=connection.made_mono_s is not None, had_held=connection.held):
            self._tell("warning", f"The broker is not told: {ended.text}")

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


class _Connection:
    """One connection from its beginning to its end, on a client of its own."""

    def __init__(self, link: Link) -> None:
        self.made_mono_s: float | None = None
        #: Whether it held long enough to be a good one.
        self.held = False
        self._link = link
        self._unacknowledged: dict[int, Message | DoseEvent] = {}
        self._began_mono_s = 0.0
        self._refused: ReasonCode | None = None
        self._silent = False
        #: The second of BOOTTIME in which orders were read last, and how many.
        self._read = (0, 0)
        self._client: Client | None = None

    def live(self) -> Trouble | None:
        """Connect, serve, and say why it ended; None when the link is being stopped."""
        link = self._link
        password = trouble.password_of(link.broker)
        if isinstance(password, Trouble):
            return password
        if link.broker.tls and link._tls is None:
            context = trouble.tls_context(link.broker)
            if isinstance(context, Trouble):
                return context
            link._tls = context
        client = self._client = self._new_client(password)
        try:
            client.connect(link.broker.host, link.broker.port, keepalive=link._keepalive_s)
        except (OSError, UnicodeError) as error:
            return trouble.of_connecting(link.broker, error)
        self._began_mono_s = link._clock.now().mono_s
        return self._serve(client)

    def close(self) -> None:
        """Let go of the socket without a farewell, on which the broker publishes the last will; keep what it did not
        acknowledge for the next connection."""
        client, self._client = self._client, None
        if client is not None and (sock := client.socket()) is not None:
            with contextlib.suppress(OSError):
                sock.close()
        self._link._box.put_back(item for item in self._unacknowledged.values() if isinstance(item, DoseEvent))

    def _new_client(self, password: str | None) -> Client:
        link = self._link
        client = BoundedClient(
            CallbackAPIVersion.VERSION2, client_id=link.client_id, clean_session=True, reconnect_on_failure=False
        )
        client.connect_timeout = CONNECT_S
        client.max_queued_messages_set(UNACKNOWLEDGED)
        will = alive_message(link.rig, online=False)
        client.will_set(will.topic, will.payload, qos=1, retain=True)
        if link.broker.username is not None:
            client.username_pw_set(link.broker.username, password)
        if link._tls is not None:
            client.tls_set_context(link._tls)
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        if link.broker.hub_discovery:
            client.message_callback_add(discovery.birth_topic(link.broker.hub_prefix), self._on_birth)
        return client

    def _serve(self, client: Client) -> Trouble | None:
        link = self._link
        while client.socket() is not None:
            mono_s = link._clock.now().mono_s
            if link._stopping.is_set():
                if self.made_mono_s is not None:
                    self._farewell(client)
                return None
            if self.made_mono_s is not None:
                if not self.held and mono_s - self.made_mono_s >= STABLE_S:
                    self.held = True
                    link._held()
                link._take_state()
                self._publish(client, mono_s)
            elif mono_s - self._began_mono_s >= CONNECT_S:
                return trouble.unanswered(link.broker, CONNECT_S)
            if link._orders is not None:
                link._orders.tick()
                if self._read[0] == int(mono_s) and self._read[1] > READ_AT_ONCE:
                    link._stopping.wait(BREATH_S)
            self._turn(client, TICK_S)
        if self._refused is not None:
            return trouble.of_refusal(link.broker, self._refused.value, str(self._refused))
        if self.made_mono_s is None:
            return trouble.closed_unanswered(link.broker)
        if self._silent:
            return trouble.silent(link.broker, link._keepalive_s)
        return trouble.closed(link.broker, link.client_id, soon=not self.held)

    def _turn(self, client: Client, timeout_s: float) -> None:
        """Wait for the socket, the bell or the end of a tick, and let the client do what there is to do."""
        sock, bell = client.socket(), self._link._box.bell
        if sock is None:
            return
        # What was received and deciphered already does not make a socket readable.
        pending = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        line = sock.fileno()
        writing = [line] if client.want_write() else []
        readable, writable, _ = select.select([line, bell.fileno()], writing, [], 0.0 if pending else timeout_s)
        bell.hush()
        if pending or line in readable:
            client.loop_read()
        if writable:
            client.loop_write()
        client.loop_misc()

    def _publish(self, client: Client, mono_s: float) -> None:
        link = self._link
        for message in link._outbox.due(mono_s):
            if not self._hand_over(client, message, message):
                return
            link._outbox.told(message, mono_s)
        while (answer := link._box.take_answer()) is not None:
            if not self._hand_over(client, answer, answer):
                link._box.put_answer_back(answer)
                return
        while (dose := link._box.take_dose()) is not None:
            if not self._hand_over(client, dose_message(link.rig, link._zone, dose), dose):
                link._box.put_back([dose])
                return

    def _hand_over(self, client: Client, message: Message, item: Message | DoseEvent) -> bool:
        """Whether the library took it; while it holds enough already it takes no more."""
        info = client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._unacknowledged[info.mid] = item
            return True
        return False

    def _farewell(self, client: Client) -> None:
        link = self._link
        link._take_state()
        self._publish(client, link._clock.now().mono_s)
        for counts in link._counts():
            self._hand_over(client, counts, counts)
        offline = alive_message(link.rig, online=False)
        said = gone = False
        while client.socket() is not None and (left_s := link._stop_by_mono_s - link._clock.now().mono_s) > 0:
            if not said:
                said = self._hand_over(client, offline, offline)
            elif not self._unacknowledged and not gone:
                client.disconnect()
                gone = True
            self._turn(client, min(left_s, TICK_S))

    def _on_socket_open(self, client: Client, userdata: Any, sock: Any) -> None:
        # Connecting may take long. When the link was stopped meanwhile, another may live under the same client id.
        if self._link._stopping.is_set():
            raise ConnectionAbortedError

    def _on_connect(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refused = reason
            return
        self.made_mono_s = self._link._clock.now().mono_s
        self._link._made()
        if self._link.broker.hub_discovery:
            client.subscribe(discovery.birth_topic(self._link.broker.hub_prefix), qos=1)
        if self._link._orders is not None:
            client.message_callback_add(order_topic(self._link.rig), self._on_order)
            client.subscribe(order_topic(self._link.rig), qos=1)

    def _on_order(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        link = self._link
        second = int(link._clock.now().mono_s)
        self._read = (second, self._read[1] + 1 if self._read[0] == second else 1)
        if link._orders is not None:
            link._orders.came(bytes(message.payload), retained=message.retain, answer=link.answer)

    def _on_birth(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        if message.payload == discovery.BORN.encode("ascii"):
            self._link._outbox.born(self._link._clock.now().mono_s)

    def _on_disconnect(
        self, client: Client, userdata: Any, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self._silent = reason.value == _KEEPALIVE_TIMEOUT

    def _on_publish(
        self, client: Client, userdata: Any, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        item = self._unacknowledged.pop(mid, None)
        if isinstance(item, Message):
            self._link._outbox.acknowledged(item)
