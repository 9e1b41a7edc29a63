"""Contacts to ground on gpiozero's own mock, and the file of a bench."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import gpiozero.devices
import pytest
from attrs import evolve
from gpiozero.pins.mock import MockFactory, MockPWMPin

from dosingd.errors import PinsRefused
from dosingd.inputs.bench import FileSwitches
from dosingd.inputs.gpio import GpioSwitches
from dosingd.plan.model import Float
from tests.builders import ALK, CA, plan
from tests.inputs.test_judging import with_inputs

PLAN = with_inputs(circulation=True, leak=True, hold_switch=False)


@pytest.fixture
def mock() -> Iterator[Any]:
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    gpiozero.devices._devices_shutdown()


def test_a_contact_is_an_input_with_the_board_s_pull_up(mock: Any) -> None:
    GpioSwitches(PLAN, mock)
    for line in (6, 13, 19):
        assert (mock.pin(line).function, mock.pin(line).pull) == ("input", "up")


def test_closed_is_drawn_to_ground(mock: Any) -> None:
    contacts = GpioSwitches(PLAN, mock)
    assert contacts.closed("leak") is False
    mock.pin(13).drive_low()
    assert contacts.closed("leak") is True
    mock.pin(13).drive_high()
    assert contacts.closed("leak") is False


def test_another_plan_takes_other_lines_and_lets_go_of_the_former(mock: Any) -> None:
    contacts = GpioSwitches(PLAN, mock)
    contacts.refit(evolve(PLAN, inputs={"leak": evolve(PLAN.inputs["leak"], gpio=6)}))
    mock.pin(6).drive_low()
    assert contacts.closed("leak") is True
    assert contacts.closed("circulation") is None
    contacts.close()
    assert contacts.closed("leak") is None


def test_a_line_that_cannot_be_had_is_refused_in_words(mock: Any) -> None:
    with pytest.raises(PinsRefused, match="leak: GPIO 99 is not on this board's header"):
        GpioSwitches(evolve(PLAN, inputs={"leak": evolve(PLAN.inputs["leak"], gpio=99)}), mock)


# -- the bench's file ----------------------------------------------------------------------------------------


def written(path: Path, text: str) -> None:
    """As an editor saves: another file in its place."""
    beside = path.with_suffix(".new")
    beside.write_text(text, encoding="utf-8")
    os.replace(beside, path)


def test_without_a_file_everything_is_safe(tmp_path: Path) -> None:
    contacts = FileSwitches(tmp_path / "inputs.json", PLAN)
    # circulation runs when closed, the sensor is wet when closed, the switch holds when open
    assert [contacts.closed(name) for name in ("circulation", "leak", "hold_switch")] == [True, False, True]


def test_the_file_is_read_again_when_it_changes(tmp_path: Path) -> None:
    path = tmp_path / "inputs.json"
    contacts = FileSwitches(path, PLAN)
    written(path, '{"leak": "closed"}')
    assert (contacts.closed("leak"), contacts.closed("circulation")) == (True, True)
    written(path, '{"leak": "open", "circulation": "open"}')
    assert (contacts.closed("leak"), contacts.closed("circulation")) == (False, False)
    path.unlink()
    assert (contacts.closed("leak"), contacts.closed("circulation")) == (False, True)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"leak": "wet"}', '{"leak": null}', '{"leak": true}', "\x00"])
def test_what_is_no_answer_cannot_be_read(tmp_path: Path, text: str) -> None:
    path = tmp_path / "inputs.json"
    written(path, text)
    assert FileSwitches(path, PLAN).closed("leak") is None


def test_floats_are_named_after_their_channel(tmp_path: Path) -> None:
    floating = plan(evolve(ALK, reservoir=evolve(ALK.reservoir, float_=Float(23, low_when_open=True))), CA)
    path = tmp_path / "inputs.json"
    contacts = FileSwitches(path, floating)
    assert contacts.closed("float.alk") is True
    written(path, '{"float.alk": "open"}')
    assert contacts.closed("float.alk") is False
