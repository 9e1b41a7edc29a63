"""The rig on the broker: state told, never a dose waited for (R13).

`topics` says what is published and `outbox` what is still to be told. `link` is imported by its own name, because paho
takes 50 ms to import and a plan without `mqtt` needs none of it.
"""

from dosingd.mqtt.topics import DoseEvent, Message, alive_message, alive_topic, base, dose_message, messages

__all__ = ["DoseEvent", "Message", "alive_message", "alive_topic", "base", "dose_message", "messages"]
