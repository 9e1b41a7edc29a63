"""Volume and seconds of a pump: volume = flow * time + lag, as a calibration found it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from attrs import frozen

#: Of a dose no more than this share may be its lag: what a start gives is known far worse than what a second gives, and
#: a lag that a cup or a half-empty line made up must not decide about a dose.
MOST_LAG_SHARE = 0.5


@frozen
class Flow:
    """A pump's flow in µL/s, and the µL that a run gives beyond flow * time (its lag; may be negative)."""

    ul_per_s: float
    lag_ul: float = 0.0


def run_s_from_volume(volume_ul: int, flow: Flow) -> float:
    """Seconds to run for a volume in whole µL, rounded DOWN to whole milliseconds; never negative."""
    return max(0, int((volume_ul - flow.lag_ul) / flow.ul_per_s * 1000 + 1e-6)) / 1000


def volume_ul_from_run_s(run_s: float, flow: Flow) -> int:
    """Whole µL that a run of so many seconds gives, rounded UP: what is booked is never less than what ran."""
    if run_s <= 0:
        return 0
    volume = run_s * flow.ul_per_s + flow.lag_ul
    return max(0, -int(-(volume - 1e-6) // 1))


def most_ul_from_run_s(run_s: float, flow: Flow) -> int:
    """Whole µL that a run of so many seconds gives at the most, rounded UP: a lag below nothing takes nothing off. It
    stands for what a start swallows once, and nobody sees whether it did."""
    if run_s <= 0:
        return 0
    return max(0, math.ceil(run_s * flow.ul_per_s + max(0.0, flow.lag_ul) - 1e-6))


def too_small_for(flow: Flow, volume_ul: float) -> bool:
    """Whether more than half of such a dose would be its lag."""
    return abs(flow.lag_ul) > MOST_LAG_SHARE * volume_ul


def least_ul_of(flow: Flow) -> int:
    """The smallest dose, in whole µL, of which no more than half is the lag."""
    return math.ceil(abs(flow.lag_ul) / MOST_LAG_SHARE)
