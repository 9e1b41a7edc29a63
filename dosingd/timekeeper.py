"""Wakes the turn thread when the agenda's next thing is due. What to do then is the agenda's business.

APScheduler sleeps on the monotonic clock until a wall-clock time that it looked up once: a clock that is set leaves it
asleep, or makes it late. So each wake-up is one explicit UTC instant, laid anew after every round, and the control
loop watches for a clock that moved and for a wake-up that did not come.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

_NEXT = "next"


class Timekeeper:
    """Calls `wake` at the instant named last. `wake` must only ring: it runs on the scheduler's own thread."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        # Its job only rings, so it needs no pool of threads.
        self._scheduler = BackgroundScheduler(timezone=UTC, executors={"default": DebugExecutor()})

    def start(self) -> None:
        """From now on it wakes."""
        self._scheduler.start()

    def wake_at(self, at: datetime) -> None:
        """The next wake-up, instead of the one before; an instant that has passed wakes at once."""
        self._scheduler.add_job(
            self._wake,
            DateTrigger(run_date=at),
            id=_NEXT,
            replace_existing=True,
            misfire_grace_time=None,  # late is better than never: whether a dose is too late the agenda says
            coalesce=True,
        )

    def stop(self) -> None:
        """No wake-up comes after this."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
