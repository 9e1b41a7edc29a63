"""Timed test runs to a line: volume = flow * time + lag by least squares, with what is not known about it.

Ordinary least squares with the volumes as the measured side (a run's seconds are known a hundred times better), and
the usual statistics of a line: standard errors from the residuals, and the interval in which one further run falls.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

from attrs import frozen

from dosingd.calibration import Flow

#: A measured run: seconds, and the µL that it gave.
Run = tuple[float, float]


@frozen
class Fit:
    """A line through test runs, in µL and s; standard errors by the residuals' n - 2 degrees of freedom."""

    flow_ul_per_s: float
    lag_ul: float
    flow_error_ul_per_s: float
    lag_error_ul: float
    #: Root of the residual mean square, the sum of squares over n - 2: what one run scatters by.
    residual_rms_ul: float
    residuals_ul: tuple[float, ...]  #: measured less fitted, in the order of the runs
    mean_s: float
    spread_s2: float  #: the sum of squares of the times about their mean

    @property
    def flow(self) -> Flow:
        """Flow and lag as doses are timed by."""
        return Flow(self.flow_ul_per_s, self.lag_ul)

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the residuals."""
        return len(self.residuals_ul) - 2

    def volume_ul(self, run_s: float) -> float:
        """What a run of so many seconds gives, by the line."""
        return self.flow_ul_per_s * run_s + self.lag_ul

    def half_interval_ul(self, run_s: float, least_rms_ul: float = 0.0) -> float:
        """Half of the interval that holds one further run of so many seconds in 95 of 100 cases, in µL. `least_rms_ul`
        is what a run scatters by at the least, however well these lie on their line.

        t * s * sqrt(1 + 1/n + (time - mean)² / spread): the run's own scatter, and what is not known of the line.
        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.5.1.2 (prediction intervals).
        """
        count = len(self.residuals_ul)
        away = (run_s - self.mean_s) ** 2 / self.spread_s2
        rms_ul = max(self.residual_rms_ul, least_rms_ul)
        return student_t_95(self.freedom) * rms_ul * math.sqrt(1 + 1 / count + away)


def fitted(runs: Sequence[Run]) -> Fit:
    """The line through at least three runs of at least two lengths.

    Raises ValueError for fewer, and for a single length. Formulas: NIST/SEMATECH e-Handbook, 4.4.3.1 (linear least
    squares), centred, so that nothing cancels.
    """
    count = len(runs)
    if count < 3:
        raise ValueError(f"{count} runs tell no scatter about a line")
    mean_s = math.fsum(seconds for seconds, _ in runs) / count
    mean_ul = math.fsum(volume for _, volume in runs) / count
    spread_s2 = math.fsum((seconds - mean_s) ** 2 for seconds, _ in runs)
    if spread_s2 <= 0:
        raise ValueError("runs of one length tell no flow apart from the lag")
    flow = math.fsum((seconds - mean_s) * (volume - mean_ul) for seconds, volume in runs) / spread_s2
    lag = mean_ul - flow * mean_s
    residuals = tuple((volume - mean_ul) - flow * (seconds - mean_s) for seconds, volume in runs)
    rms = math.sqrt(math.fsum(each * each for each in residuals) / (count - 2))
    return Fit(
        flow_ul_per_s=flow,
        lag_ul=lag,
        flow_error_ul_per_s=rms / math.sqrt(spread_s2),
        lag_error_ul=rms * math.sqrt(1 / count + mean_s * mean_s / spread_s2),
        residual_rms_ul=rms,
        residuals_ul=residuals,
        mean_s=mean_s,
        spread_s2=spread_s2,
    )


@cache
def student_t_95(freedom: int) -> float:
    """The value that Student's t stays within in 95 of 100 cases, for 1 or more degrees of freedom.

    Found by halving on the distribution, which is a finite series for whole degrees of freedom.
    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
    """
    if freedom < 1:
        raise ValueError(f"{freedom} degrees of freedom have no interval")
    low, high = 0.0, 13.0  # 12.706 for one degree of freedom, and less for more
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < 0.95 else (low, middle)
    return (low + high) / 2


def _within(t: float, freedom: int) -> float:
    """The share of Student's t between -t and t."""
    angle = math.atan2(t, math.sqrt(freedom))
    cosine = math.cos(angle)
    if freedom % 2:
        term, total = cosine, cosine if freedom > 1 else 0.0
        for k in range(3, freedom - 1, 2):
            term *= cosine * cosine * (k - 1) / k
            total += term
        return 2 / math.pi * (angle + math.sin(angle) * total)
    term = total = 1.0
    for k in range(2, freedom - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return math.sin(angle) * total
