"""paho's client, holding no more of a message than could be an order.

The library gathers a whole packet, up to 256 MB, before anyone is asked. This one reads on and lets go of what comes
after the first few kilobytes, so that the connection stays, and the message arrives as one that is too long. With
version 5 a sender can put hundreds of properties into a message. The library takes milliseconds to read them, so that a
few hundred messages a second keep a hold waiting, and ends the connection over what it cannot read (the tests know a
way); here nobody looks at them.
"""

from __future__ import annotations

from typing import Literal

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.exception import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

#: Of each packet so much is kept whole: the longest topic that we subscribe to, the longest order, and room.
KEPT_BYTES = 4096
#: What is read at once, whatever length a packet claims.
CHUNK_BYTES = 16_384
#: The reason code "Unspecified error", MQTT 5 section 2.4.
UNSPECIFIED = 128


class BoundedClient(Client):
    """A client whose memory a broker cannot fill."""

    def _sock_recv(self, bufsize: int) -> bytes:
        data = super()._sock_recv(min(bufsize, CHUNK_BYTES))
        packet = self._in_packet
        room = KEPT_BYTES - len(packet["packet"])
        if packet["have_remaining"] and len(data) > max(room, 1):
            # One byte must be handed on, or the library takes the connection for closed; the others are counted as
            # read. So of 256 MB it holds a byte for each chunk.
            kept = data[: max(room, 1)]
            packet["to_process"] -= len(data) - len(kept)
            return kept
        return data

    def _handle_publish(self) -> MQTTErrorCode:
        """Hand on a message and acknowledge it (MQTT 5, section 3.3), its properties passed over unread."""
        packet, command = self._in_packet["packet"], self._in_packet["command"]
        end = 2 + int.from_bytes(packet[:2], "big")
        topic, number = bytes(packet[2:end]), 0
        if command & 0x06:
            number, end = int.from_bytes(packet[end : end + 2], "big"), end + 2
        if self._protocol == MQTTProtocolVersion.MQTTv5:
            end = _after_properties(packet, end)
        # What was cut may look like a whole one; as it came, with all before it, it is too long for anything.
        cut = self._in_packet["remaining_length"] > KEPT_BYTES
        message = MQTTMessage(number, topic)
        message.retain, message.payload = bool(command & 0x01), bytes(packet if cut else packet[end:])
        self._handle_on_message(message)
        return self._send_puback(number) if command & 0x06 else MQTTErrorCode.MQTT_ERR_SUCCESS

    def _handle_pubackcomp(self, cmd: Literal["PUBACK", "PUBCOMP"]) -> MQTTErrorCode:
        try:
            return super()._handle_pubackcomp(cmd)
        except MQTTException:
            # Brokers refuse for reasons that are none of this packet's, too large a message for one.
            number = int.from_bytes(self._in_packet["packet"][:2], "big")
            why = ReasonCode(PacketTypes.PUBACK, identifier=UNSPECIFIED)
            with self._out_message_mutex:
                if number in self._out_messages:
                    return self._do_on_publish(number, why, Properties(PacketTypes.PUBACK))  # type: ignore[no-untyped-call]
            return MQTTErrorCode.MQTT_ERR_SUCCESS


def _after_properties(packet: bytearray, at: int) -> int:
    """Where the payload begins: after a length in groups of seven bits, four at most (MQTT 5, section 1.5.5), and as
    many bytes."""
    length = 0
    for group in range(4):
        byte = packet[at + group] if at + group < len(packet) else 0
        length |= (byte & 0x7F) << (7 * group)
        if byte < 0x80:
            return at + group + 1 + length
    return len(packet)
