"""The real daemon, killed at random moments and started again: no limit passed, no pulse without a row, no gap broken.

The seed is `DOSINGD_KILLS_SEED`, if that is set; it fixes what is done, though no two runs of real processes are alike.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.kills.campaign import Figures, campaign

SEED = os.environ.get("DOSINGD_KILLS_SEED", "1")
#: So soon after SIGTERM a pin is low. A machine that is busy may wake a process late, now and then.
STOP_MS, LATE_SHARE, LATEST_MS = 100.0, 0.05, 500.0
RIGS = 9


def test_200_kills_pass_no_limit_and_leave_no_pulse_without_a_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _hold(campaign(tmp_path, 200, rigs=RIGS, seed=SEED), 200, capsys)


@pytest.mark.campaign
def test_2000_kills_pass_no_limit_and_leave_no_pulse_without_a_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _hold(campaign(tmp_path, 2000, rigs=RIGS, seed=SEED), 2000, capsys)


def _hold(figures: Figures, kills: int, capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\nseed {SEED}: {figures.text()}")
    assert figures.faults == [], "\n".join(figures.faults)
    assert figures.done.total() == kills
    assert figures.refused_starts == 0
    # It would prove nothing if the daemon stood still, or if every kill missed.
    assert figures.on_pin.total() >= kills / 4
    assert all(figures.done[name] for name in ("SIGKILL", "SIGTERM", "SIGSTOP, SIGCONT", "SIGSTOP, SIGKILL"))
    assert figures.outcomes["unknown"] > 0
    assert figures.outcomes["partial"] > 0
    late = [delay_ms for delay_ms in figures.stop_delays_ms if delay_ms > STOP_MS]
    assert len(late) <= LATE_SHARE * len(figures.stop_delays_ms), sorted(late)
    assert max(figures.stop_delays_ms) < LATEST_MS
