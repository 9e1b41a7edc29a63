"""Somebody who takes whatever a link hands on as an order, and remembers it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dosingd.mqtt.link import Answered


class Taking:
    """What came, in order: the payload, and whether it was kept."""

    def __init__(self) -> None:
        self.heard: list[tuple[bytes, bool]] = []

    def came(self, payload: bytes, *, retained: bool, answer: Answered) -> None:
        self.heard.append((payload, retained))

    def counts(self) -> Mapping[str, Any]:
        return {"taken": len(self.heard)}

    def tick(self) -> None:
        pass
