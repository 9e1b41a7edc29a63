"""What a pump is to the rest of the program: a line that is on or off."""

from __future__ import annotations

from typing import Protocol


class Pump(Protocol):
    """One pump head. `off` must work at any time and any number of times."""

    def on(self) -> None:
        """Drive the line high. Only `turn` calls this, under a lease."""

    def off(self) -> None:
        """Drive the line low."""

    @property
    def is_on(self) -> bool:
        """Whether the line is driven high."""
