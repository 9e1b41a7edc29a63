"""One connection of the link, from connecting to its end."""

from __future__ import annotations

import contextlib
import select
import ssl
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from dosingd.mqtt import discovery, trouble
from dosingd.mqtt.bounded import BoundedClient
from dosingd.mqtt.topics import DoseEvent, Message, alive_message, dose_message, order_topic
from dosingd.mqtt.trouble import Trouble

if TYPE_CHECKING:
    from dosingd.mqtt.link import Link

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

# Reason codes of MQTT 5, section 2.4.
_PROTOCOL_ERROR, _KEEPALIVE_TIMEOUT = 130, 141


class Connection:
    """One connection from its beginning to its end, on a client of its own. It is a part of its link, and knows it from
    within; all of it runs on the link's thread."""

    def __init__(self, link: Link, version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5) -> None:
        self.made_mono_s: float | None = None
        #: Whether it held long enough to be a good one.
        self.held = False
        self._link = link
        self._version = version
        self._kept_came = False
        self._why_closed: str | None = None
        self._not_understood = False
        self._most = UNACKNOWLEDGED
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
        # Of both versions nothing is kept for a client that is away, as long as none asks for it.
        client = BoundedClient(
            CallbackAPIVersion.VERSION2, client_id=link.client_id, protocol=self._version, reconnect_on_failure=False
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
        client.on_subscribe = self._on_subscribe
        if link.broker.hub_discovery:
            client.message_callback_add(discovery.birth_topic(link.broker.hub_prefix), self._on_birth)
        if link._orders is not None:
            client.message_callback_add(order_topic(link.rig), self._on_order)
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
                self._ask_again(client, mono_s)
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
        if self._not_understood:
            return trouble.not_understood(link.broker)
        if self.made_mono_s is None:
            return trouble.closed_unanswered(link.broker)
        if self._silent:
            return trouble.silent(link.broker, link._keepalive_s)
        return trouble.closed(link.broker, link.client_id, soon=not self.held, why=self._why_closed)

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

    def _subscribe(self, client: Client, topic: str) -> None:
        """With version 5, what is published to be kept says so (retain as published), also while we listen: an order
        that a broker keeps is none, and version 3.1.1 would show it as a fresh one, once."""
        if self._version == MQTTProtocolVersion.MQTTv5:
            code, number = client.subscribe(topic, options=SubscribeOptions(qos=1, retainAsPublished=True))
        else:
            code, number = client.subscribe(topic, qos=1)
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and number is not None:
            self._link._granted.asked(number, topic)

    def _ask_again(self, client: Client, mono_s: float) -> None:
        """For what was denied."""
        deaf, mute = self._link._granted.again(mono_s)
        for topic in deaf:
            self._subscribe(client, topic)
        self._link._outbox.forget(mute)

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
        if len(self._unacknowledged) >= self._most:
            return False
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
        # The library does not keep to what the broker takes at once (MQTT 5, section 3.2.2.3.3).
        self._most = min(UNACKNOWLEDGED, getattr(properties, "ReceiveMaximum", UNACKNOWLEDGED))
        self._link._made()
        for topic in self._link._hears():
            self._subscribe(client, topic)

    def _on_subscribe(
        self, client: Client, userdata: Any, number: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        if self._link._granted.answered(number, denied=any(reason.is_failure for reason in reasons)):
            self._link._tell_denied()

    def _on_order(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        link = self._link
        if message.retain:
            # One that stays with the broker comes at each connection, and is counted and answered once.
            again = not self._kept_came and message.payload == link._kept_order
            self._kept_came, link._kept_order = True, bytes(message.payload)
            if again:
                return
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
        if flags.is_disconnect_packet_from_server:
            self._why_closed = str(reason)
        elif reason.value == _PROTOCOL_ERROR:
            self._not_understood = True

    def _on_publish(
        self, client: Client, userdata: Any, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        item, link = self._unacknowledged.pop(mid, None), self._link
        if isinstance(item, DoseEvent):
            item = dose_message(link.rig, link._zone, item)
        elif item is not None:
            # What the broker does not let us clear stays there; there is nothing more to be done about it.
            link._outbox.acknowledged(item)
        if item is not None and item.payload and link._granted.published(item.topic, denied=reason.is_failure):
            link._tell_denied()
