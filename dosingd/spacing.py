"""Start times as near as can be to their targets, kept apart: least squares under difference constraints.

Starts x are sought that minimise the sum of (x - target)^2 in a fixed order, where
    low[k] <= x[k] <= high[k],   x[k] - x[k-1] >= chain[k],   x[j] - x[i] >= d for every extra (i, j, d), i < j.
The minimum is unique. Three exact, finite steps, no search:
- A forward pass of earliest starts decides on integers whether there is any solution at all.
- Without extras it is isotonic regression after subtracting the chain's running sum: adjacent violators are pooled,
  and a block lies at its mean, moved as little as its bounds ask (pool-adjacent-violators for convex functions;
  Best, Chakravarti & Ubhaya 2000, from memory).
- An extra that this breaks is brought in by the dual active-set method (Goldfarb & Idnani 1983, from memory). With
  unit weights the active constraints form a forest: doses joined by tight edges move as one rigid block, and the
  multipliers are the forces along its edges. It runs only on the stretch of doses that the extra can reach: where the
  edges to the neighbours stay slack their multipliers are zero, and the parts' optima are the whole's.
Last, starts are floored to whole milliseconds, which keeps every integer difference.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections import deque

from attrs import evolve, frozen

#: Below this many milliseconds a float is no violation; the last pass works on integers and mends what it hides.
_TINY_MS = 1e-6

Extra = tuple[int, int, int]


@frozen
class Spacing:
    """The problem; all in whole milliseconds, in the order of the doses. `chain[0]` is not used."""

    targets: list[int]
    low: list[int]
    high: list[int]
    chain: list[int]
    extras: list[Extra]


@frozen
class Overrun:
    """Why there is no solution: `path`, from a dose at its low bound to one that comes `by_ms` past its high bound."""

    path: list[int]
    by_ms: int


def overrun(spacing: Spacing) -> Overrun | None:
    """The worst overrun of the earliest possible starts, or None when the problem has a solution."""
    earliest, came_from = _earliest(spacing)
    late = [start - high for start, high in zip(earliest, spacing.high, strict=True)]
    by_ms = max(late, default=0)
    if by_ms <= 0:
        return None
    path = [late.index(by_ms)]
    while (before := came_from[path[-1]]) >= 0:
        path.append(before)
    return Overrun(path[::-1], by_ms)


def total_overrun_ms(spacing: Spacing) -> int:
    """The sum of what does not fit, each stretch by itself: 0 when the problem has a solution."""
    extras = _extras_into(spacing)
    total = 0
    starts: list[int] = []
    for k, low in enumerate(spacing.low):
        start = low
        if k:
            start = max(start, starts[-1] + spacing.chain[k])
        for i, d in extras.get(k, ()):
            start = max(start, starts[i] + d)
        if start > spacing.high[k]:
            total += start - spacing.high[k]
            start = spacing.high[k]
        starts.append(start)
    return total


def _extras_into(spacing: Spacing) -> dict[int, list[tuple[int, int]]]:
    into: dict[int, list[tuple[int, int]]] = {}
    for i, j, d in spacing.extras:
        into.setdefault(j, []).append((i, d))
    return into


def _earliest(spacing: Spacing) -> tuple[list[int], list[int]]:
    """Earliest starts, and the dose that holds each back (-1: its low bound)."""
    extras = _extras_into(spacing)
    starts: list[int] = []
    came_from: list[int] = []
    for k, low in enumerate(spacing.low):
        start, held_by = low, -1
        if k and starts[-1] + spacing.chain[k] > start:
            start, held_by = starts[-1] + spacing.chain[k], k - 1
        for i, d in extras.get(k, ()):
            if starts[i] + d > start:
                start, held_by = starts[i] + d, i
        starts.append(start)
        came_from.append(held_by)
    return starts, came_from


def _latest(spacing: Spacing) -> list[int]:
    starts = list(spacing.high)
    out_of: dict[int, list[tuple[int, int]]] = {}
    for i, j, d in spacing.extras:
        out_of.setdefault(i, []).append((j, d))
    for k in range(len(starts) - 1, -1, -1):
        if k + 1 < len(starts):
            starts[k] = min(starts[k], starts[k + 1] - spacing.chain[k + 1])
        for j, d in out_of.get(k, ()):
            starts[k] = min(starts[k], starts[j] - d)
    return starts


def nearest_starts(spacing: Spacing) -> list[int]:
    """The least-squares starts, floored to whole milliseconds. Asks that `overrun` is None."""
    exact, starts = _pooled(spacing)
    if any(exact[j] - exact[i] < d - _TINY_MS for i, j, d in spacing.extras):
        exact = _with_extras(spacing, exact)
        starts = [int((start + 1e-4) // 1) for start in exact]
    # On integers from here: a start that a float put one millisecond short is moved up; latest[] leaves room for it.
    earliest, _ = _earliest(spacing)
    latest = _latest(spacing)
    extras = _extras_into(spacing)
    for k in range(len(starts)):
        start = min(latest[k], max(earliest[k], starts[k]))
        if k:
            start = max(start, starts[k - 1] + spacing.chain[k])
        for i, d in extras.get(k, ()):
            start = max(start, starts[i] + d)
        starts[k] = start
    return starts


def _pooled(spacing: Spacing) -> tuple[list[float], list[int]]:
    """The solution without extras, exact and floored. Bounds tightened along the chain rise with k, so two blocks that
    must be pooled always have a common range."""
    chain_only = evolve(spacing, extras=[])
    earliest, _ = _earliest(chain_only)
    latest = _latest(chain_only)
    blocks: list[tuple[int, int, int, int]] = []  # sum of targets, number, low, high; all less the running sum
    shift = 0
    shifts: list[int] = []
    for k, target in enumerate(spacing.targets):
        if k:
            shift += spacing.chain[k]
        shifts.append(shift)
        block = (target - shift, 1, earliest[k] - shift, latest[k] - shift)
        while blocks and _exceeds(blocks[-1], block):
            total, size, low, high = blocks.pop()
            block = (total + block[0], size + block[1], max(low, block[2]), min(high, block[3]))
        blocks.append(block)
    exact: list[float] = []
    starts: list[int] = []
    for total, size, low, high in blocks:
        members = shifts[len(starts) : len(starts) + size]
        base = min(high, max(low, total // size))
        mean = min(high, max(low, total / size))
        starts.extend(base + shift for shift in members)
        exact.extend(mean + shift for shift in members)
    return exact, starts


def _exceeds(one: tuple[int, int, int, int], other: tuple[int, int, int, int]) -> bool:
    """Whether a block lies behind the next, exactly: each at its mean, moved into its bounds."""
    (sum_a, n_a, low_a, high_a), (sum_b, n_b, low_b, high_b) = one, other
    if sum_a < low_a * n_a:
        sum_a, n_a = low_a, 1
    elif sum_a > high_a * n_a:
        sum_a, n_a = high_a, 1
    if sum_b < low_b * n_b:
        sum_b, n_b = low_b, 1
    elif sum_b > high_b * n_b:
        sum_b, n_b = high_b, 1
    return sum_a * n_b > sum_b * n_a


def _with_extras(spacing: Spacing, pooled: list[float]) -> list[float]:
    """Starts by stretches of doses: a stretch grows until nothing it touches is broken, each time solved anew."""
    number = len(pooled)
    exact = list(pooled)
    edges = [(k - 1, k, spacing.chain[k]) for k in range(1, number)] + spacing.extras
    touching: list[list[Extra]] = [[] for _ in range(number)]
    for edge in edges:
        touching[edge[0]].append(edge)
        touching[edge[1]].append(edge)
    owner = list(range(number))  # first dose of the stretch that each dose belongs to
    for k in range(1, number):
        if exact[k] - exact[k - 1] <= spacing.chain[k] + _TINY_MS:
            owner[k] = owner[k - 1]
    waiting = deque(spacing.extras)
    while waiting:
        i, j, d = waiting.popleft()
        if exact[j] - exact[i] >= d - _TINY_MS:
            continue
        first, end = owner[i], j + 1
        while end < number and owner[end] == owner[j]:
            end += 1
        owner[first:end] = [first] * (end - first)
        exact[first:end] = _solve(spacing, first, end, touching)
        waiting.extend(edge for k in range(first, end) for edge in touching[k] if owner[edge[0]] != owner[edge[1]])
    return exact


def _solve(spacing: Spacing, first: int, end: int, touching: list[list[Extra]]) -> list[float]:
    """The stretch [first, end) by itself, by the dual active-set method on forests of tight edges.

    Node `ground` stands still at 0: an edge from it is a low bound, an edge to it a high bound.
    """
    size = end - first
    ground = size
    edges: list[Extra] = []
    for k in range(size):
        edges.append((ground, k, spacing.low[first + k]))
        edges.append((k, ground, -spacing.high[first + k]))
        edges.extend((i - first, j - first, d) for i, j, d in touching[first + k] if j == first + k and first <= i)
    incident: list[list[int]] = [[] for _ in range(size + 1)]
    for e, (u, v, _) in enumerate(edges):
        incident[u].append(e)
        incident[v].append(e)
    x = [float(target) for target in spacing.targets[first:end]] + [0.0]
    force: dict[int, float] = {}  # active edges and their multipliers
    tight: list[set[int]] = [set() for _ in range(size + 1)]
    waiting = deque(range(len(edges)))
    queued = [True] * len(edges)
    while waiting:
        e = waiting.popleft()
        queued[e] = False
        u, v, d = edges[e]
        own = 0.0
        moved: list[int] = []
        while e not in force and d - (x[v] - x[u]) > _TINY_MS:
            own, seen = _push(edges, x, force, tight, e, own, ground)
            moved.extend(seen)
        for k in moved:
            if k == ground:
                continue
            for other in incident[k]:
                if not queued[other] and other not in force:
                    queued[other] = True
                    waiting.append(other)
    return x[:size]


def _push(
    edges: list[Extra],
    x: list[float],
    force: dict[int, float],
    tight: list[set[int]],
    e: int,
    own: float,
    ground: int,
) -> tuple[float, list[int]]:
    """One step that raises the multiplier of the broken edge `e` until it holds, or until another edge falls slack.

    Returns the multiplier so far and the nodes that moved.
    """
    u, v, d = edges[e]
    head = _tree(edges, tight, v, ground)
    rates: list[tuple[int, float]] = []  # change of each multiplier per unit of `own`
    speed = 0.0
    moves: list[tuple[list[int], float]] = []
    if u in head.via:
        node = u
        while node != v:
            edge = head.via[node]
            tail, tip, _ = edges[edge]
            # Walking from u to v, an edge in that direction shares the load with `e`.
            rates.append((edge, -1.0 if tail == node else 1.0))
            node = tip if tail == node else tail
    else:
        for tree, sign in ((head, 1.0), (_tree(edges, tight, u, ground), -1.0)):
            if tree.grounded:
                inverse = 0.0
            else:
                inverse = 1.0 / len(tree.order)
                speed += inverse
                moves.append((tree.order, sign * inverse))
            for node in tree.order[1:]:
                edge = tree.via[node]
                share = (1.0 if node in tree.to_ground else 0.0) if tree.grounded else tree.size[node] * inverse
                if share:
                    rates.append((edge, sign * share if edges[edge][1] == node else -sign * share))
    step = (d - (x[v] - x[u])) / speed if speed else float("inf")
    falls = -1
    for edge, rate in rates:
        if rate < 0 and force[edge] < -rate * step:
            step, falls = force[edge] / -rate, edge
    if step == float("inf"):
        raise ArithmeticError("these starts have no solution; `overrun` says why")
    for edge, rate in rates:
        force[edge] += rate * step
    for order, rate in moves:
        for node in order:
            x[node] += rate * step
    own += step
    if falls >= 0:
        del force[falls]
        for node in edges[falls][:2]:
            tight[node].discard(falls)
    else:
        force[e] = own
        tight[u].add(e)
        tight[v].add(e)
    return own, [node for order, _ in moves for node in order]


@frozen
class _Tree:
    """The doses joined to `order[0]` by tight edges: the edge that leads to each, and how many hang behind it."""

    order: list[int]
    via: dict[int, int]
    size: dict[int, int]
    to_ground: set[int]
    grounded: bool


def _tree(edges: list[Extra], tight: list[set[int]], root: int, ground: int) -> _Tree:
    order = [root]
    via: dict[int, int] = {root: -1}
    above: dict[int, int] = {root: root}
    for node in order:
        for edge in tight[node]:
            tail, tip, _ = edges[edge]
            other = tip if tail == node else tail
            if other not in via:
                via[other] = edge
                above[other] = node
                order.append(other)
    size = dict.fromkeys(order, 1)
    for node in reversed(order[1:]):
        size[above[node]] += size[node]
    to_ground: set[int] = set()
    grounded = ground in via
    node = ground
    while grounded and node != root:
        to_ground.add(node)
        node = above[node]
    return _Tree(order, via, size, to_ground, grounded)
