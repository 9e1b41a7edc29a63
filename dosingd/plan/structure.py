"""Located nodes to values by path, and every fault of shape at once.

`shape.SHAPE` is the whole format. Walking it over the nodes gives a value in inside units for every setting that reads,
a fault for every one that does not, and a mark for both. A setting with a fault has no value, so that no rule between
settings reports the same mistake again.

Where a fault points: at the value when the value is wrong, at the key when it is unknown or said twice, and at the
setting above (the key of the group) when something is missing from a group; line 1, column 1 stands for the file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

from attrs import Factory, define, field

from dosingd.errors import Fault
from dosingd.plan import leaves
from dosingd.plan.leaves import LeafRefused, did_you_mean
from dosingd.plan.nodes import Block, Items, Node, Scalar
from dosingd.plan.plausible import PLAUSIBLE
from dosingd.plan.shape import SHAPE, Either, Group, Named, One, Several, Shape

T = TypeVar("T")


@define
class Marks:
    """Where every setting of a plan stands: its value, or its key when the value is a group or a list."""

    name: str
    positions: dict[str, tuple[int, int]] = Factory(dict)

    def at(self, path: str) -> tuple[int, int]:
        """Line and column of a setting; of the nearest setting above when the plan does not say it."""
        while path and path not in self.positions:
            path = path[: max(path.rfind("."), path.rfind("["), 0)]
        return self.positions.get(path, (1, 1))

    def fault(self, path: str, message: str) -> Fault:
        """A fault (or a warning) at a setting."""
        line, column = self.at(path)
        return Fault(line, column, path, message)


@define
class Values:
    """What structured, by path, in inside units. `ids()` lists the names under a setting, `count()` a list's length."""

    by_path: dict[str, object] = field(factory=dict)
    names: dict[str, tuple[str, ...]] = field(factory=dict)
    lengths: dict[str, int] = field(factory=dict)
    said: set[str] = field(factory=set)  #: every path that the plan says, read or not
    groups: set[str] = field(factory=set)  #: the paths that are groups of settings

    def get(self, path: str, kind: type[T]) -> T | None:
        """The value at a path when it structured."""
        value = self.by_path.get(path)
        return value if isinstance(value, kind) else None

    def must(self, path: str, kind: type[T]) -> T:
        """The value at a path of a plan without faults."""
        value = self.get(path, kind)
        if value is None:
            raise LookupError(f"{path} was not structured")
        return value

    def ids(self, path: str) -> tuple[str, ...]:
        """The names under a setting, in the order of the plan."""
        return self.names.get(path, ())

    def items(self, path: str) -> list[str]:
        """The paths of a list's items."""
        return [f"{path}[{index}]" for index in range(self.lengths.get(path, 0))]


@define
class Walk:
    """One walk over the nodes of a plan."""

    marks: Marks
    values: Values = field(factory=Values)
    faults: list[Fault] = field(factory=list)

    def plan(self, root: Node) -> None:
        """Walk the whole plan."""
        self.marks.positions[""] = (1, 1)
        if isinstance(root, Block):
            self._group(SHAPE, root, "", "")
        else:
            self._wrong(root, "", "a plan is a mapping, `setting: value`, that begins with rig")

    def _wrong(self, node: Scalar | Block | Items, path: str, message: str) -> None:
        self.faults.append(Fault(node.line, node.column, path, message))

    def _visit(self, shape: Shape, node: Node, path: str, pattern: str) -> None:
        if isinstance(node, Scalar):
            self.marks.positions[path] = (node.line, node.column)
        match shape, node:
            case One(), Scalar():
                self._one(shape, node, path, pattern)
            case Either(), Scalar():
                self._one(shape.one, node, path, pattern)
            case Group(), Block():
                self._group(shape, node, path, pattern)
            case Either(), Block():
                self._group(shape.group, node, path, pattern)
            case Named(), Block():
                self._named(shape, node, path, pattern)
            case Several(), Items():
                self._several(shape, node, path, pattern)
            case _:
                self._wrong(node, path, f"{_kind(node)} where {_wanted(shape)}")

    def _one(self, shape: One, scalar: Scalar, path: str, pattern: str) -> None:
        if leaves.nothing(scalar):
            return self._wrong(
                scalar, path, f"nothing here. Write a value, such as {shape.such_as}, or take the line out."
            )
        try:
            value = shape.read(scalar)
        except LeafRefused as refused:
            return self._wrong(scalar, path, f"{refused}{_example(str(refused), shape.such_as)}")
        span = PLAUSIBLE.get(pattern.replace("strength.label", "label"))
        if span is not None and isinstance(value, int | float) and not span.holds(value):
            return self._wrong(
                scalar, path, f"{scalar.text} is not plausible. It may be from {span.least} to {span.most}."
            )
        self.values.by_path[path] = value
        return None

    def _entries(self, block: Block, path: str, known: Callable[[Scalar, str], bool]) -> dict[str, tuple[Scalar, Node]]:
        """The entries of a mapping that are known, each once; a fault for every other."""
        found: dict[str, tuple[Scalar, Node]] = {}
        for key, node in block.entries:
            here = f"{path}.{key.text}" if path else key.text
            if key.text in found:
                first = found[key.text][0].line
                self._wrong(key, here, f"said twice, first in line {first}. Keep one of them.")
            elif known(key, here):
                found[key.text] = (key, node)
                self.marks.positions[here] = (key.line, key.column)
                self.values.said.add(here)
        return found

    def _group(self, shape: Group, block: Block, path: str, pattern: str) -> None:
        self.values.groups.add(path)
        settings = shape.settings

        def known(key: Scalar, here: str) -> bool:
            if key.text in settings:
                return True
            self._wrong(key, here, f"not a setting here.{_unknown(key.text, settings)}")
            return False

        entries = self._entries(block, path, known)
        for key, (needed, below) in settings.items():
            here = f"{path}.{key}" if path else key
            if key in entries:
                self._visit(below, entries[key][1], here, f"{pattern}.{key}" if pattern else key)
            elif needed:
                where = self.marks.at(path) if path in self.marks.positions else (block.line, block.column)
                self.faults.append(Fault(*where, here, f"missing.{_needed(key, below)}"))

    def _named(self, shape: Named, block: Block, path: str, pattern: str) -> None:
        def known(key: Scalar, here: str) -> bool:
            try:
                shape.name(key)
            except LeafRefused as refused:
                self._wrong(key, here, str(refused))
                return False
            return True

        entries = self._entries(block, path, known)
        if not block.entries:
            self._wrong(block, path, f"nothing in it. It needs at least one, such as {shape.such_as}.")
        if len(block.entries) > shape.most:
            self._wrong(block, path, f"{len(block.entries)} are too many; there may be {shape.most}.")
        self.values.names[path] = tuple(entries)
        for name, (_, node) in entries.items():
            self._visit(shape.each, node, f"{path}.{name}", f"{pattern}.*")

    def _several(self, shape: Several, items: Items, path: str, pattern: str) -> None:
        if len(items.items) < shape.least:
            return self._wrong(
                items, path, f"{len(items.items)} of at least {shape.least}. Write a list, such as {shape.such_as}."
            )
        if len(items.items) > 200:
            return self._wrong(items, path, f"{len(items.items)} are too many; there may be 200.")
        self.values.lengths[path] = len(items.items)
        for index, node in enumerate(items.items):
            here = f"{path}[{index}]"
            self.marks.positions[here] = (node.line, node.column)
            self._visit(shape.each, node, here, f"{pattern}[]")
        return None


def _kind(node: Node) -> str:
    if isinstance(node, Scalar):
        return "nothing" if leaves.nothing(node) else f'the value "{node.text}"'
    return "a group of settings" if isinstance(node, Block) else "a list"


def _wanted(shape: Shape) -> str:
    match shape:
        case One():
            return f"one value belongs, such as {shape.such_as}."
        case Group():
            return f"a group belongs, with {', '.join(shape.settings)}."
        case Named():
            return f"names belong, such as {shape.such_as}."
        case Several():
            return f"a list belongs, such as {shape.such_as}."
        case Either():
            return f"one value such as {shape.one.such_as} belongs, or a group with {', '.join(shape.group.settings)}."


def _needed(key: str, shape: Shape) -> str:
    match shape:
        case One() | Either():
            such_as = shape.such_as if isinstance(shape, One) else shape.one.such_as
            return f" Write, for example, {key}: {such_as}"
        case Group():
            return f" It is a group with {', '.join(shape.settings)}."
        case Named() | Several():
            return f" Write, for example, {key}: {shape.such_as}"


def _unknown(key: str, settings: Mapping[str, object]) -> str:
    if key[:1].isdigit():
        return " Is it half of a number with a decimal comma? Write a point, as 4.5 mL."
    return did_you_mean(key, settings) or f" There are {', '.join(settings)}."


def _example(message: str, such_as: str) -> str:
    """An example for a message that gives none."""
    return (
        ""
        if any(mark in message for mark in ("such as", "Did you mean", "Put it", "put it", "It is "))
        else (f" For example: {such_as}")
    )
