"""What holds for every test: Hypothesis searches the same examples each time, and under CI nothing is skipped."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "default",
    derandomize=True,
    deadline=None,  # the machine may be slow; how long a room may take is a benchmark's business
    print_blob=True,
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("default")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A skipped test is a red one where CI=true: a part that is missing there is a fault of the machine's set-up."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped where CI=true: {report.longrepr}"
    return report
