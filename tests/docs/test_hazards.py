"""hardware/hazards.md holds: every test and step that it names exists, and nothing is called handled without one."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HAZARDS = (ROOT / "hardware" / "hazards.md").read_text(encoding="utf-8")
STEPS = re.findall(
    r"^- \[ \] \*\*(C\d\d)\*\* ", (ROOT / "hardware" / "commissioning.md").read_text(encoding="utf-8"), re.M
)
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

ROWS = [
    tuple(cell.strip() for cell in line.strip("|").split("|"))
    for line in HAZARDS.splitlines()
    if re.match(r"\| H\d\d \|", line)
]
TESTS = sorted(set(re.findall(r"`(tests/[^`]+)`", HAZARDS)))


@cache
def functions_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("test", TESTS)
def test_every_test_that_is_named_exists(test: str) -> None:
    place, _, name = test.partition("::")
    assert name.startswith("test_"), test
    assert (ROOT / place).is_file(), test
    assert name in functions_in(ROOT / place), test


def test_every_step_that_is_named_exists() -> None:
    named = set(re.findall(r"\bC\d\d\b", HAZARDS))
    assert named <= set(STEPS), sorted(named - set(STEPS))


def test_steps_are_numbered_in_order_and_once() -> None:
    assert [f"C{number:02}" for number in range(1, len(STEPS) + 1)] == STEPS
    assert f"C01 to {STEPS[-1]}" in HAZARDS


def test_every_hazard_has_an_id_of_its_own_and_none_is_left_out() -> None:
    ids = [row[0] for row in ROWS]
    assert len(ids) == len(set(ids)), sorted(each for each in ids if ids.count(each) > 1)
    assert sorted(ids) == [f"H{number:02}" for number in range(1, len(ids) + 1)]
    assert len(ids) >= 51  # a hazard that has gone is a decision, not an oversight


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_what_is_called_handled_is_shown_by_something(row: tuple[str, ...]) -> None:
    assert len(row) == 6, "a | too many or too few"
    _, severity, happens, by, how, shown = row
    assert severity in {"C", "M", "m"}
    assert happens
    assert how
    tests, steps = re.findall(r"`tests/", shown), re.findall(r"\bC\d\d\b", shown)
    assert tests or steps
    assert by in {"software", "hardware", "both", "part"}
    if by in {"software", "both"}:
        assert tests
    if by in {"hardware", "both"}:
        assert steps
    assert ("Missing" in how) == (by == "part"), "what is missing is said, and only there"


def test_every_rule_that_is_named_is_told() -> None:
    for rule in set(re.findall(r"\bR(\d+)\b", HAZARDS)):
        assert re.search(rf"^- \*\*R{rule}\. ", DEVELOPERS, re.M), rule
