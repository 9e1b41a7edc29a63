"""README holds: every verb, option and plan key is in it, its table is the program's, and its commands are CI's."""

from __future__ import annotations

import importlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from dosingd.cli.entry import VERBS
from dosingd.plan.shape import SHAPE, Either, Group, Named, Several, Shape
from tests.docs.plausible_table import rows, rows_in_readme

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```sh\n(.*?)^```", README, re.M | re.S)


def test_it_opens_with_one_paragraph_that_states_the_job() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# dosingd"
    assert job.startswith("`dosingd` ")
    assert "\n" not in job


def test_the_set_up_commands_are_one_line_each() -> None:
    assert len(BLOCKS) == 2
    assert all(block.count("\n") == 1 and "\\\n" not in block for block in BLOCKS)
    assert "dosingd rehearse config/lagoon.yaml" in BLOCKS[0]
    assert "pytest" in BLOCKS[1]


def test_ci_takes_its_commands_from_here_and_holds_none_of_its_own() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    # The first fenced line with the word: what .ci/run's awk finds.
    lines = [line for block in re.findall(r"^```.*?\n(.*?)^```", README, re.M | re.S) for line in block.splitlines()]
    assert next(line for line in lines if "dosingd rehearse" in line) == BLOCKS[0].strip()
    assert next(line for line in lines if "pytest" in line) == BLOCKS[1].strip()
    assert "tests=$(command_in_readme 'pytest')" in script
    assert 'bash -c "$tests"' in script
    assert 'bash -c "$rehearse"' in script
    assert not re.search(r"^[^#\n]*-m pytest", script, re.M)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_and_its_options_are_in_the_table(verb: str) -> None:
    command = getattr(importlib.import_module(f"dosingd.cli.{verb}"), verb)
    row = next(line for line in README.splitlines() if line.startswith(f"| `{verb}"))
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            option = max(parameter.opts, key=len)
            where = README if option in ("--json", "--state", "--plan", "--debug") else row
            assert option in where, f"{verb} {option}"


def keys(shape: Shape, path: str = "") -> Iterator[str]:
    """Every key of the plan with its path; `*` for a name of the keeper's choosing, `[]` for an item of a list."""
    match shape:
        case Group():
            for key, (_, below) in shape.settings.items():
                here = f"{path}.{key}" if path else key
                yield here
                yield from keys(below, here)
        case Named():
            yield from keys(shape.each, f"{path}.*")
        case Several():
            yield from keys(shape.each, f"{path}[]")
        case Either():
            yield from keys(shape.group, path)


@pytest.mark.parametrize("path", sorted(set(keys(SHAPE))))
def test_every_plan_key_is_explained(path: str) -> None:
    section = README.split("## The plan\n", 1)[1].split("### Plausible ranges", 1)[0]
    # A group is a heading or is named with its settings; what a name stands for is left out of the path.
    short = re.sub(r"^(stocks|channels)\.\*\.", "", path)
    short = re.sub(r"^strength\.label", "label", short)
    names = {short, short.removeprefix("tank.")}
    said = set(re.findall(r"`([a-z0-9_.*\[\]]+)`", section))
    headings = set(re.findall(r"[a-z]+", " ".join(re.findall(r"^### (.*)$", section, re.M))))
    below = any(each.startswith((f"{short}.", f"{short}[")) for each in said)
    assert names & said or short in headings or below, path


def test_the_table_of_plausible_ranges_is_the_programs_own() -> None:
    assert rows_in_readme(README) == rows(), "to renew it: python tests/docs/plausible_table.py"


def test_the_licence_is_the_one_that_the_package_declares() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license"] == "MIT"
    assert "SPDX: MIT" in README


@pytest.mark.parametrize("word", ["Heat", "Caustic", "Mains", "Never mix", "safety data sheet", "stuck on"])
def test_the_cautions_are_there(word: str) -> None:
    assert word in README.split("## Cautions", 1)[1]
