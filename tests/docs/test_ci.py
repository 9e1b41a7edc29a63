"""The way the tests run: nothing is skipped under CI, and warnings, unknown markers and passing xfails are failures."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.machine import build

ROOT = Path(__file__).parents[2]


TESTS = """
import warnings
import pytest

def test_plain(): pass
def test_skips(): pytest.skip('no broker')
@pytest.mark.skip(reason='no broker')
def test_skipped(): pass
@pytest.mark.xfail
def test_passes_after_all(): pass
@pytest.mark.xfail
def test_fails_as_expected(): assert False
def test_warns(): warnings.warn('old')
"""


def _run(tmp_path: Path, tests: str, ci: str) -> dict[str, str]:
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_one.py").write_text(tests, encoding="utf-8")
    said = subprocess.run(
        [sys.executable, "-m", "pytest", "-v", "-p", "no:cacheprovider"],
        cwd=tmp_path,
        env={**os.environ, "CI": ci},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return dict(re.findall(r"::test_(\w+) ([A-Z]+)", said.stdout)) | {"exit": str(said.returncode)}


@pytest.mark.parametrize(("ci", "skip"), [("", "SKIPPED"), ("true", "FAILED")])
def test_what_is_skipped_or_doubtful_fails(ci: str, skip: str, tmp_path: Path) -> None:
    found = _run(tmp_path, TESTS, ci)
    assert found["plain"] == "PASSED"
    assert found["skips"] == skip
    assert found["skipped"] == skip.replace("FAILED", "ERROR")  # before it began
    assert found["passes_after_all"] == "FAILED"
    assert found["fails_as_expected"] == "XFAIL"
    assert found["warns"] == "FAILED"
    assert found["exit"] == "1"


def test_a_marker_that_nobody_declared_is_an_error(tmp_path: Path) -> None:
    assert _run(tmp_path, "import pytest\n@pytest.mark.capmaign\ndef test_one(): pass", "")["exit"] == "2"


def test_ci_leaves_no_environment_in_the_tree_and_is_a_program() -> None:
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    text = script.read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    assert "work=$(mktemp -d)" in text
    assert text.index('cd "$work/tree"') < text.index("-m venv")


def test_ci_tries_the_emulated_board_and_installs_what_that_needs() -> None:
    text = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "pytest -m machine" in text
    assert set(build.PACKAGES) <= set(text.split())
