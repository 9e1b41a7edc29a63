"""The least-squares solver against a slow one that shares no code with it.

Oracle: Hildreth's dual coordinate ascent (C. Hildreth, A quadratic programming procedure, Naval Research Logistics
Quarterly 4, 1957; from memory), run until its own duality gap proves it: for any multipliers the dual value bounds the
minimum from below, so a small gap needs no trust in the method.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.spacing import Spacing, nearest_starts, overrun, total_overrun_ms

Row = tuple[int | None, int | None, int]  # x[j] - x[i] >= d; None stands still at 0


def rows_of(spacing: Spacing) -> list[Row]:
    rows: list[Row] = [(None, k, low) for k, low in enumerate(spacing.low)]
    rows += [(k, None, -high) for k, high in enumerate(spacing.high)]
    rows += [(k - 1, k, spacing.chain[k]) for k in range(1, len(spacing.chain))]
    return rows + list(spacing.extras)


def slow_minimum(spacing: Spacing, sweeps: int = 20_000) -> list[float] | None:
    """The minimum by Hildreth's method, or None when its gap stays above 0.05 ms^2."""
    rows = rows_of(spacing)
    target = spacing.targets
    x, force = [float(t) for t in target], [0.0] * len(rows)

    def value(k: int | None) -> float:
        return 0.0 if k is None else x[k]

    for sweep in range(sweeps):
        for r, (i, j, d) in enumerate(rows):
            norm = (i is not None) + (j is not None)
            step = max(-force[r], (d - value(j) + value(i)) / norm)
            force[r] += step
            if j is not None:
                x[j] += step
            if i is not None:
                x[i] -= step
        if sweep % 50 == 49:
            slack = [value(j) - value(i) - d for i, j, d in rows]
            # With x = target + A'force, primal minus dual is force . slack; feasible to within a thousandth.
            if min(slack) > -1e-3 and abs(sum(f * s for f, s in zip(force, slack, strict=True))) < 0.05:
                return x
    return None


@st.composite
def problems(draw: st.DrawFn) -> Spacing:
    number = draw(st.integers(2, 9))
    targets = sorted(draw(st.lists(st.integers(0, 2000), min_size=number, max_size=number)))
    chain = [0, *draw(st.lists(st.integers(1, 250), min_size=number - 1, max_size=number - 1))]
    pairs = (
        draw(
            st.lists(st.tuples(st.integers(0, number - 3), st.integers(2, number - 1), st.integers(1, 900)), max_size=5)
        )
        if number > 2
        else []
    )
    extras = [(i, j, d) for i, j, d in pairs if i + 1 < j]
    low = [max(0, target - draw(st.integers(0, 700))) for target in targets]
    high = [target + draw(st.integers(0, 1200)) for target in targets]
    return Spacing(targets, low, high, chain, extras)


def check_optimal(spacing: Spacing) -> bool:
    """Whether the problem has a solution; if so, that ours holds every row and lies within 1 ms of the minimum."""
    if overrun(spacing) is not None:
        assert total_overrun_ms(spacing) > 0
        return False
    assert total_overrun_ms(spacing) == 0
    starts = nearest_starts(spacing)
    for i, j, d in rows_of(spacing):
        assert (0 if j is None else starts[j]) - (0 if i is None else starts[i]) >= d
    expected = slow_minimum(spacing)
    if expected is not None:
        # The slow one may be off by the root of its gap (strong convexity), ours by flooring.
        assert all(abs(a - b) < 1.35 for a, b in zip(starts, expected, strict=True)), (starts, expected)
    return True


@given(problems())
def test_starts_are_the_least_squares_minimum(spacing: Spacing) -> None:
    check_optimal(spacing)


def many_problems(number: int, seed: int) -> int:
    """How many of so many crowded problems with wide bounds and several extras had a solution; each is checked."""
    draw = random.Random(seed)
    solved = 0
    for _ in range(number):
        n = draw.randint(5, 14)
        targets = sorted(draw.randint(0, 150 * n) for _ in range(n))
        extras = [
            (i, j, draw.randint(50, 150 * (j - i))) for i in range(n) for j in range(i + 2, n) if draw.random() < 0.2
        ]
        low = [max(0, t - draw.choice((50, 400, 2000))) for t in targets]
        high = [t + draw.choice((100, 600, 2500)) for t in targets]
        chain = [0] + [draw.randint(1, 150) for _ in range(n - 1)]
        solved += check_optimal(Spacing(targets, low, high, chain, extras))
    return solved


@pytest.mark.parametrize("seed", [3, 12])
def test_crowded_starts_are_the_least_squares_minimum(seed: int) -> None:
    assert many_problems(150, seed) > 60


@pytest.mark.campaign
def test_crowded_starts_are_the_least_squares_minimum_many_times() -> None:
    assert many_problems(3000, 7) > 1200


@given(problems())
def test_an_overrun_is_a_chain_of_rows_that_cannot_all_hold(spacing: Spacing) -> None:
    found = overrun(spacing)
    if found is None:
        return
    longest = {(i, j): d for i, j, d in sorted(spacing.extras, key=lambda row: row[2])}
    at = spacing.low[found.path[0]]
    for i, j in pairwise(found.path):
        at += max(longest.get((i, j), 0), spacing.chain[j] if j == i + 1 else 0)
    assert at == spacing.high[found.path[-1]] + found.by_ms
    assert found.by_ms > 0


def test_two_at_one_target_part_by_half_the_distance_each() -> None:
    # By hand: minimise a^2 + b^2 with b - a >= 1200 gives -600, +600.
    assert nearest_starts(Spacing([5000, 5000], [0, 0], [9999, 9999], [0, 1200], [])) == [4400, 5600]


def test_an_extra_binds_over_the_dose_between() -> None:
    # By hand: the middle one is free, the outer two part by 300 each.
    spacing = Spacing([5000, 5000, 5000], [0] * 3, [9999] * 3, [0, 10, 10], [(0, 2, 600)])
    assert nearest_starts(spacing) == [4700, 5000, 5300]


def test_a_bound_pushes_the_whole_block() -> None:
    # By hand: the first may not come before 5000, so the second takes the whole distance.
    assert nearest_starts(Spacing([5000, 5000], [5000, 0], [9999, 9999], [0, 1200], [])) == [5000, 6200]
