"""Every kind of fault is found where it stands: line, column and path as counted by hand in faults/*.yaml."""

from __future__ import annotations

from typing import Any

import pytest

from dosingd.errors import PlanRefused
from dosingd.plan import read_plan
from dosingd.plan.nodes import LARGEST_BYTES
from tests.plan.edits import BASE, KINDS, edited

LEAST_KINDS, LEAST_INSTANCES = 60, 5


def test_the_base_plan_has_no_fault() -> None:
    plan, _ = read_plan("\n".join(BASE).encode(), "base.yaml")
    assert list(plan.channels) == ["alk", "ca", "mg", "tr"]


def test_there_are_enough_kinds_and_instances() -> None:
    assert len({kind for kind, _ in KINDS}) == len(KINDS) >= LEAST_KINDS
    few = [kind for kind, cases in KINDS if len(cases) < LEAST_INSTANCES]
    assert not few, few
    print(f"{len(KINDS)} kinds of fault, {sum(len(cases) for _, cases in KINDS)} instances")


@pytest.mark.parametrize(
    ("edit", "expected"),
    [pytest.param(*case, id=f"{kind} {index}") for kind, cases in KINDS for index, case in enumerate(cases)],
)
def test_a_fault_is_found_where_it_stands(edit: dict[Any, Any], expected: list[list[Any]]) -> None:
    with pytest.raises(PlanRefused) as refused:
        read_plan(edited(edit), "plan.yaml")
    found = refused.value.faults
    places = [(fault.line, fault.column, fault.path) for fault in found]
    assert places == [(line, column, path) for line, column, path, _ in expected], str(refused.value)
    for fault, (*_, word) in zip(found, expected, strict=True):
        assert word in fault.message
        assert "\n" not in fault.message


@pytest.mark.parametrize("extra", [1, 10, 1_000, 100_000, 4_000_000])
def test_a_file_too_large_to_be_a_plan_is_refused_unread(extra: int) -> None:
    with pytest.raises(PlanRefused, match=r"^plan.yaml:1:1: the file holds") as refused:
        read_plan(b"#" * (LARGEST_BYTES + extra), "plan.yaml")
    assert len(refused.value.faults) == 1


@pytest.mark.parametrize(
    ("edit", "line", "column", "path", "word"),
    [
        ({1: "rig: " + "x" * 501}, 1, 6, "", "501 characters"),
        # One document, its mapping and `rig: [` are five events; the 20,001st is the 19,996th 1, two columns each.
        ({1: "rig: [" + "1," * 20_000 + "1]"}, 1, 7 + 2 * 19_995, "", "20,000 values"),
        (
            {69: "".join(f"  - {{between: [alk, ca], gap: {gap} s}}\n" for gap in range(1, 202))},
            69,
            3,
            "apart",
            "202 are",
        ),
        # 22 channels beside the base plan's own four; the group stands where its first name does.
        ({61: "".join(f"  x{number}: {{}}\n" for number in range(22)) + "  tr:"}, 27, 3, "channels", "26 are too many"),
    ],
)
def test_more_than_any_plan_needs_is_refused(
    edit: dict[int, str], line: int, column: int, path: str, word: str
) -> None:
    with pytest.raises(PlanRefused) as refused:
        read_plan(edited(edit), "plan.yaml")
    assert any(
        (fault.line, fault.column, fault.path) == (line, column, path) and word in fault.message
        for fault in refused.value.faults
    ), str(refused.value)[:2000]


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    text = edited(
        {5: "  water: 280", 30: "    dosis: 24", 34: "      gpio: 40", 38: "      dose: 29 mL", 52: "    limits: {}"}
    )
    with pytest.raises(PlanRefused) as refused:
        read_plan(text, "plan.yaml")
    assert [(fault.line, fault.column, fault.path) for fault in refused.value.faults] == [
        (5, 10, "tank.water"),
        (27, 3, "channels.alk.doses"),
        (30, 5, "channels.alk.dosis"),
        (34, 13, "channels.alk.pump.gpio"),
        (38, 13, "channels.alk.limits.dose"),
        (52, 5, "channels.ca.limits.day"),
        (52, 5, "channels.ca.limits.dose"),
        (52, 5, "channels.ca.limits.rise"),
    ]
    lines = str(refused.value).split("\n")
    assert lines[2] == 'plan.yaml:30:5: channels.alk.dosis: not a setting here. Did you mean "doses"?'
    assert lines[-1] == "8 faults. Mend the file, then: dosingd check plan.yaml"
