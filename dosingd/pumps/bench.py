"""Pretend pumps: each logs every change of its level where the level changes."""

from __future__ import annotations

import threading
from collections.abc import Callable

from dosingd.errors import PinsFailed
from dosingd.plan.model import Plan
from dosingd.pumps.pump import shut_all

#: (channel, on): called at each change of a level. May raise when it cannot be logged.
Log = Callable[[str, bool], None]


class BenchPump:
    """A pump that only writes down when its line went high and low. May be called from any thread."""

    def __init__(self, channel: str, log: Log) -> None:
        self.channel = channel
        self._log = log
        self._on = False
        self._shut = False
        # Held around level and log alone, so that the log has the levels in their order. Re-entrant, because a signal
        # handler may come in between.
        self._lock = threading.RLock()

    def on(self) -> None:
        """Line high; logged when it was low. A level that cannot be logged does not rise."""
        with self._lock:
            if self._shut:
                raise PinsFailed(f"{self.channel}: its line has been let go, so it was not driven high.")
            if not self._on:
                self._log(self.channel, True)
                self._on = True

    def off(self) -> None:
        """Line low; logged when it was high. The level falls even if it cannot be logged."""
        with self._lock:
            if self._on:
                self._on = False
                self._log(self.channel, False)

    @property
    def is_on(self) -> bool:
        """Whether the line is high."""
        return self._on

    def shut(self) -> None:
        """Line low for good: from now on `on` raises."""
        with self._lock:
            self._shut = True
            self.off()


class BenchRig:
    """The pretend pumps of a plan, and a keep-alive and an alarm output that nothing is connected to."""

    def __init__(self, plan: Plan, log: Log) -> None:
        self._log = log
        self.pumps: dict[str, BenchPump] = {}
        self.keep_alive: BenchPump | None = None
        self.alarm_output: BenchPump | None = None
        self.refit(plan)

    def refit(self, plan: Plan) -> None:
        """Every line low for good, then the lines of this plan in their place."""
        failed = self.close()
        if failed:
            raise PinsFailed(" ".join(failed))
        self.pumps = {channel: BenchPump(channel, self._log) for channel in plan.channels}
        self.keep_alive = None if plan.keep_alive_gpio is None else BenchPump("keep-alive", _nothing)
        self.alarm_output = None if plan.alarm_output_gpio is None else BenchPump("alarm-output", _nothing)

    def close(self) -> list[str]:
        """Every line low for good, whatever fails. Returns what failed, in words."""
        others = (self.keep_alive, self.alarm_output)
        return shut_all((*self.pumps.values(), *(line for line in others if line is not None)))


def _nothing(channel: str, on: bool) -> None:
    """Nothing hangs on this line."""
