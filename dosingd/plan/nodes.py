"""YAML text to located nodes: syntax only, one fault at most, and nothing of YAML's guessing.

A plan is a small part of YAML: mappings, lists and single values, one document, UTF-8. Every value stays the text that
the keeper wrote, because YAML's guesses (`1:30` is 90, `1_0` is 10, `yes` is true) are what this room is here to stop.
Anchors, aliases, tags, directives and a second document are refused. Lines and columns count from 1.

The tree is built from the parser's events without recursion, so a deeply nested file costs a fault and not the stack.
"""

from __future__ import annotations

import re

import yaml
from attrs import field, frozen

from dosingd.errors import Fault

#: A plan of a hundred channels is some 60 kB; anything beyond this is not a plan.
LARGEST_BYTES = 1_000_000
#: The deepest setting of a plan (stocks.soda.salts.<salt>.mass) is five levels down.
DEEPEST = 12
#: The first plans named above hold about 2,000 nodes; a file of many more is not worth the time to read.
MOST_NODES = 20_000
LONGEST_TEXT = 500


class SyntaxRefused(Exception):
    """The text is not the part of YAML that a plan is written in."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.message)
        self.fault = fault


@frozen
class Scalar:
    """One value as written. `quoted` tells `"24"` from `24`."""

    text: str
    quoted: bool
    line: int
    column: int


@frozen
class Block:
    """A mapping: its keys in the order of the file, doubled ones included."""

    entries: list[tuple[Scalar, Node]] = field(factory=list)
    line: int = 1
    column: int = 1


@frozen
class Items:
    """A list."""

    items: list[Node] = field(factory=list)
    line: int = 1
    column: int = 1


Node = Scalar | Block | Items


def read_nodes(text: bytes) -> Node:
    """The one document of a plan as located nodes.

    Raises SyntaxRefused with the first fault: too large, not UTF-8, an invisible character, not YAML, or a part of
    YAML that a plan may not use.
    """
    return _build(_decoded(text))


def _refuse(line: int, column: int, message: str) -> SyntaxRefused:
    return SyntaxRefused(Fault(line, column, "", message))


def _refuse_at(text: str, index: int, message: str) -> SyntaxRefused:
    before = text[:index]
    line = before.count("\n") + 1
    return _refuse(line, index - (before.rfind("\n") + 1) + 1, message)


def _decoded(data: bytes) -> str:
    if len(data) > LARGEST_BYTES:
        raise _refuse(
            1, 1, f"the file holds {len(data):,} bytes; a plan holds at most {LARGEST_BYTES:,}. Is it the right file?"
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        good = data[: error.start].decode("utf-8")
        raise _refuse_at(
            good, len(good), f"byte 0x{data[error.start]:02x} is not UTF-8. Save the file as UTF-8 and check it again."
        ) from None
    if text.startswith("\ufeff"):
        raise _refuse(1, 1, "an invisible byte order mark. Save the file as UTF-8 without one.")
    directive = re.search(r"^%", text, re.MULTILINE)
    if directive:
        raise _refuse_at(text, directive.start(), "a YAML directive, %; a plan needs none. Take the line out.")
    for index, char in enumerate(text):
        if char not in "\n\r\t" and not _shows(char):
            raise _refuse_at(text, index, f"an invisible character, U+{ord(char):04X}. Take it out.")
    return text


def _shows(char: str) -> bool:
    """Whether an editor shows the character; line separators would make our line numbers differ from an editor's, and
    a no-break space looks like a space but does not separate."""
    code = ord(char)
    return code in range(0x20, 0x7F) or (
        code > 0xA0
        and code not in range(0xD800, 0xE000)
        and code < 0x110000
        and char not in "\u2028\u2029\ufeff\u200b"
        and (code & 0xFFFE) != 0xFFFE
    )


def _build(text: str) -> Node:
    root: Node | None = None
    documents = 0
    count = 0
    stack: list[Block | Items] = []
    keys: list[Scalar | None] = []

    def place(node: Node) -> None:
        nonlocal root
        if not stack:
            root = node
            return
        parent = stack[-1]
        if isinstance(parent, Items):
            parent.items.append(node)
        elif keys[-1] is None:
            if not isinstance(node, Scalar):
                raise _refuse(node.line, node.column, "a list or a mapping where the name of a setting belongs.")
            keys[-1] = node
        else:
            parent.entries.append((keys[-1], node))
            keys[-1] = None

    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            mark = event.start_mark
            line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
            count += 1
            if count > MOST_NODES:
                raise _refuse(line, column, f"more than {MOST_NODES:,} values. Is it the right file?")
            _refuse_beyond_plain(event, line, column)
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise _refuse(line, column, "a second document begins here; a plan is one. Take the `---` out.")
            elif isinstance(event, yaml.ScalarEvent):
                _refuse_unsayable(event.value, line, column)
                place(Scalar(event.value, event.style is not None, line, column))
            elif isinstance(event, yaml.CollectionStartEvent):
                node: Block | Items = (
                    Block(line=line, column=column)
                    if isinstance(event, yaml.MappingStartEvent)
                    else Items(line=line, column=column)
                )
                place(node)
                if len(stack) >= DEEPEST:
                    raise _refuse(line, column, f"nested more than {DEEPEST} levels deep; no setting of a plan is.")
                stack.append(node)
                keys.append(None)
            elif isinstance(event, yaml.CollectionEndEvent):
                stack.pop()
                keys.pop()
    except yaml.MarkedYAMLError as error:
        raise _in_words(error, text) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise _refuse(1, 1, f"this is not YAML: {error}.") from None
    if root is None or (isinstance(root, Scalar) and root.text == "" and not root.quoted):
        raise _refuse(1, 1, "the file is empty. A plan needs at least rig, timezone, tank, stocks and channels.")
    return root


def _refuse_unsayable(text: str, line: int, column: int) -> None:
    """No setting takes lines of text, nor what an escape hides; a message could not even show them."""
    if "\n" in text:
        raise _refuse(line, column, "a text of several lines; no setting takes one. Write it in one line.")
    if not all(_shows(char) for char in text):
        raise _refuse(line, column, "an escape that stands for an invisible character. Take it out.")
    if len(text) > LONGEST_TEXT:
        raise _refuse(line, column, f"a text of {len(text):,} characters; no setting takes more than {LONGEST_TEXT}.")


def _refuse_beyond_plain(event: yaml.Event, line: int, column: int) -> None:
    if isinstance(event, yaml.AliasEvent):
        raise _refuse(line, column, f"an alias, *{event.anchor}; a plan says everything in place. Write the value out.")
    if isinstance(event, yaml.NodeEvent) and event.anchor is not None:
        raise _refuse(
            line,
            column,
            f"an anchor, &{event.anchor}; a plan says everything in place. Take it out, or quote the text.",
        )
    if isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent) and event.tag is not None:
        raise _refuse(line, column, f"a tag, {event.tag}; a plan needs none. Take it out, or quote the text.")
    if isinstance(event, yaml.ScalarEvent) and event.value == "<<" and event.style is None:
        raise _refuse(line, column, "a merge key, <<; a plan says everything in place. Write the settings out.")


def _in_words(error: yaml.MarkedYAMLError, text: str) -> SyntaxRefused:
    mark = error.problem_mark or error.context_mark
    # The parser stops where it gave up: at the end of the file for a quote or a brace that nobody closed, and a line
    # late for a setting without its colon. The keeper needs the place where that began.
    if "simple key" in (error.context or "") or (mark and error.context_mark and not text[mark.index :].strip()):
        mark = error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    lines = text.split("\n")
    here = lines[line - 1] if line <= len(lines) else ""
    problem = error.problem or error.context or "it cannot be read"
    if here[column - 1 : column] == "\t" or "\\t" in problem:
        return _refuse(line, column, "a tab. Indent and separate with spaces.")
    before = line - 1
    while before > 0 and not lines[before - 1].split("#")[0].strip():
        before -= 1
    above = lines[before - 1] if before else ""
    if "mapping values" in problem and not re.search(r":|^\s*-", above) and above.strip():
        line, column = before, len(above) - len(above.lstrip()) + 1
        problem = "could not find expected ':'"
    tab = (here[: len(here) - len(here.lstrip())]).find("\t")
    if tab >= 0:
        return _refuse(line, tab + 1, "a tab. Indent and separate with spaces.")
    cure = next((words for key, words in _CURES.items() if key in problem), "")
    return _refuse(line, column, f"this is not YAML: {problem}. {cure}".rstrip())


#: What usually stands behind the parser's words.
_CURES = {
    "mapping values are not allowed": "Is a line above indented differently, or does a text with a colon need quotes?",
    "expected ',' or": "A brace or a bracket is not closed, or a comma is missing.",
    "could not find expected ':'": "Every setting is `name: value`, with a space after the colon.",
    "expected <block end>": "Settings of one group begin in the same column.",
    "unexpected end of stream": "A quotation mark is not closed.",
    "cannot start any token": "Put text with special characters in quotes.",
}
