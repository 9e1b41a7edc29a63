"""DEVELOPERS holds: every room and rule is in it, and the import contracts know every room."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = sorted(
    path.stem if path.suffix == ".py" else path.name
    for path in (ROOT / "dosingd").iterdir()
    if (path.suffix == ".py" and not path.stem.startswith("__")) or (path / "__init__.py").exists()
)
PYPROJECT = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
LAYERS, PURE, LIBRARIES = tomllib.loads(PYPROJECT)["tool"]["importlinter"]["contracts"]
BELOW_THE_LINE = re.findall(r'"\((\w+)\)"', PYPROJECT.split("# below this line", 1)[1].split("[[tool", 1)[0])


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_is_on_the_map(room: str) -> None:
    rooms = DEVELOPERS.split("## The rooms", 1)[1].split("\n## ", 1)[0]
    assert re.search(rf"^\| `{room}(/|\.py)` ", rooms, re.M)


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_has_a_place_in_the_import_contracts(room: str) -> None:
    assert f"({room})" in LAYERS["layers"]
    assert LAYERS["exhaustive"] is True
    assert (f"dosingd.{room}" in PURE["source_modules"]) == (room in BELOW_THE_LINE)


@pytest.mark.parametrize("number", range(1, 15))
def test_every_rule_is_told(number: int) -> None:
    rules = DEVELOPERS.split("## Rules", 1)[1].split("\n## ", 1)[0]
    assert re.search(rf"^- \*\*R{number}\. ", rules, re.M)


def test_what_the_pure_half_must_not_import_is_forbidden_by_name() -> None:
    effects = {
        "gpiozero",
        "paho",
        "sqlite3",
        "yaml",
        "time",
        "threading",
        "logging",
        "socket",
        "pathlib",
        "os",
        "random",
    }
    assert effects <= set(PURE["forbidden_modules"])


def test_only_the_clock_may_read_time() -> None:
    lint = tomllib.loads(PYPROJECT)["tool"]["ruff"]["lint"]
    banned = set(lint["flake8-tidy-imports"]["banned-api"])
    assert {"time.time", "time.monotonic", "time.clock_gettime", "time.sleep", "datetime.datetime.now"} <= banned
    excused = [path for path, rules in lint["per-file-ignores"].items() if "TID251" in rules or "TID" in rules]
    assert excused == ["dosingd/clock.py", "dosingd/pins_off.py"]
    assert {"TID", "DTZ"} <= set(lint["select"])
