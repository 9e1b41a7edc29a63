"""A full disk behind standard output, or a stream that the shell closed: one status, no traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("verb", ["check", "day", "rehearse --days 1"])
@pytest.mark.parametrize("form", ["", "--json"])
@pytest.mark.parametrize("where", [">&-", "> /dev/full", "2>&-"])
def test_output_that_cannot_be_written_ends_in_order(verb: str, form: str, where: str) -> None:
    line = f'"{sys.executable}" -m dosingd {verb} config/lagoon.yaml {form} {where}'
    done = subprocess.run(["sh", "-c", line], cwd=ROOT, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert "fault in dosingd" not in done.stderr
    assert done.returncode == (1 if where != "2>&-" else done.returncode)
