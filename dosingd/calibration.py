"""Volume and seconds of a pump: volume = flow * time + lag, as a calibration found it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import frozen


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
