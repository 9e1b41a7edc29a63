"""paho's client, holding no more of a message than could be an order.

The library gathers a whole packet, up to 256 MB, before anyone is asked. This one reads on and lets go of what comes
after the first few kilobytes, so that the connection stays, and the message arrives as one that is too long.
"""

from __future__ import annotations

from paho.mqtt.client import Client

#: Of each packet so much is kept whole: the longest topic that we subscribe to, the longest order, and room.
KEPT_BYTES = 4096
#: What is read at once, whatever length a packet claims.
CHUNK_BYTES = 16_384


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
