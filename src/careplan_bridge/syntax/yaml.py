"""YAML as nodes with positions: mappings, lists and text, nothing else.

Tags, anchors, aliases, several documents and keys that are no plain text are refused: our files need none of them, and each
has been a way to make a small file mean something large or unexpected.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import yaml

from careplan_bridge.errors import FileRefused
from careplan_bridge.syntax.node import Located, Node, Place
from careplan_bridge.syntax.spot import Faults
from careplan_bridge.syntax.text import text_of, unfit

DEEPEST = 24
MOST = 30_000  # keys and values together; a protocol has some thousand
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def load(data: bytes, name: str) -> Located:
    """The tree of a file without faults of notation.

    Raises:
        FileRefused: there are any.
    """
    tree, faults = read(data, name)
    if faults.refused:
        raise faults.stop()
    return tree


def read(data: bytes, name: str) -> tuple[Located, Faults]:
    """The tree, with the faults that leave the rest of it readable (a key given twice, a tag, an alias).

    Raises:
        FileRefused: the bytes are no YAML text, or hold more than one document.
    """
    text = text_of(data, name)
    builder = _Builder(Faults(name))
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            builder.take(event)
    except yaml.YAMLError as broken:
        raise _refusal(broken, text, builder.faults) from None
    return builder.root(), builder.faults


@dataclass(slots=True)
class _Open:
    """A mapping or list whose end has not come; in a mapping, `key` waits for its value."""

    place: Place
    children: dict[str, Node] | list[Node]
    key: str | None = None
    waiting: Place | None = None


@dataclass(slots=True)
class _Builder:
    faults: Faults
    open: list[_Open] = field(default_factory=list["_Open"])
    done: Node | None = None
    taken: int = 0

    def root(self) -> Node:
        if self.done is None:
            self.faults.add(Place(1, 1), "the file holds no data", "start from one of the files in fixtures/")
            raise self.faults.stop()
        return self.done

    def take(self, event: yaml.Event) -> None:
        self._count(event)
        self._refuse(event)
        match event:
            case yaml.ScalarEvent():
                self._scalar(event)
            case yaml.MappingStartEvent():
                self._start(event, {})
            case yaml.SequenceStartEvent():
                self._start(event, [])
            case yaml.MappingEndEvent() | yaml.SequenceEndEvent():
                self._end()
            case yaml.AliasEvent():
                self._place_value(Node(_place(event), None, damaged=True))
            case _:
                pass

    def _count(self, event: yaml.Event) -> None:
        self.taken += 1
        if self.taken > MOST:
            self.faults.add(
                _place(event), f"the file has more than {MOST:,} keys and values", "give one protocol or case"
            )
            raise self.faults.stop()

    def _refuse(self, event: yaml.Event) -> None:
        place = _place(event)
        if isinstance(event, yaml.DocumentStartEvent) and self.done is not None:
            self.faults.add(place, "a second document begins here", "keep one document in one file")
            raise self.faults.stop()
        if isinstance(event, yaml.AliasEvent):
            self.faults.add(place, "an alias (*) stands for another part of the file", "write the part out")
        elif getattr(event, "anchor", None):
            self.faults.add(place, "an anchor (&) names a part of the file", "take it out")
        if not isinstance(event, yaml.AliasEvent) and getattr(event, "tag", None) is not None:
            self.faults.add(place, "a tag (!) changes the meaning of a value", "take it out; write the value as it is")

    def _scalar(self, event: Any) -> None:
        place, value = _place(event), str(event.value)
        if unfit(value):
            self.faults.add(place, "this text holds control characters", "delete them")
            value = "unreadable"
        holder = self.open[-1] if self.open else None
        if holder is not None and isinstance(holder.children, dict) and holder.waiting is None:
            holder.key, holder.waiting = value, place
        else:
            nothing = value == "" and not event.style
            self._place_value(Node(place, None if nothing else value))

    def _start(self, event: yaml.Event, children: dict[str, Node] | list[Node]) -> None:
        place = _place(event)
        if len(self.open) >= DEEPEST:
            self.faults.add(place, f"parts lie more than {DEEPEST} deep in each other", "write fewer levels")
            raise self.faults.stop()
        holder = self.open[-1] if self.open else None
        if holder is not None and isinstance(holder.children, dict) and holder.waiting is None:
            self.faults.add(place, "a list or mapping stands where a key belongs", "a key is one plain text")
            raise self.faults.stop()
        self.open.append(_Open(place, children))

    def _end(self) -> None:
        part = self.open.pop()
        value = part.children if isinstance(part.children, dict) else tuple(part.children)
        self._place_value(Node(part.place, value))

    def _place_value(self, node: Node) -> None:
        if not self.open:
            self.done = node
            return
        holder = self.open[-1]
        if isinstance(holder.children, list):
            holder.children.append(node)
        elif holder.key is None or holder.waiting is None:
            self.faults.add(node.place, "an alias stands where a key belongs", "a key is one plain text")
            raise self.faults.stop()
        else:
            self._place_key(holder.children, holder.key, replace(node, key_place=holder.waiting))
            holder.key = holder.waiting = None

    def _place_key(self, children: dict[str, Node], key: str, node: Node) -> None:
        first = children.setdefault(key, node)
        if first is not node and first.key_place and node.key_place:
            what = f"the key `{key}` stands here a second time, first in line {first.key_place.line}"
            self.faults.add(node.key_place, what, "keep one of them")


def _place(event: yaml.Event) -> Place:
    mark: Any = event.start_mark
    return Place(mark.line + 1, mark.column + 1)


def _refusal(broken: yaml.YAMLError, text: str, faults: Faults) -> FileRefused:
    mark = getattr(broken, "problem_mark", None) or getattr(broken, "context_mark", None)
    place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
    tab = _tab(text, place)
    if tab is not None:
        faults.add(tab, "a tab stands in the indentation", "indent with spaces")
    else:
        problem = getattr(broken, "problem", None) or "the text does not follow YAML's rules"
        faults.add(place, f"this is no YAML: {problem}", _mend(str(problem)))
    return faults.stop()


def _tab(text: str, place: Place) -> Place | None:
    lines = text.split("\n")
    for number in range(min(place.line, len(lines)), max(place.line - 2, 0), -1):
        line = lines[number - 1]
        indentation = line[: len(line) - len(line.lstrip())]
        if "\t" in indentation:
            return Place(number, indentation.index("\t") + 1)
    return None


_MENDS = {
    "mapping values are not allowed": "put a text that holds `: ` between quotation marks",
    "did not find expected": "close the bracket or quotation mark that is open, and line up the keys",
    "could not find expected ':'": "put `: ` between key and value",
    "found character": "put the text between quotation marks",
}


def _mend(problem: str) -> str:
    return next(
        (mend for start, mend in _MENDS.items() if problem.startswith(start)), "look at this line and the one above it"
    )
