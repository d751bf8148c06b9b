"""TOML as nodes with positions. The values are those of the standard library's reader; where they stand is found by a scan
of the same text, which the reader has accepted already.
"""

import re
import tomllib
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, cast

from careplan_bridge.errors import FileRefused
from careplan_bridge.syntax.node import START, Located, Node, Path, Place
from careplan_bridge.syntax.spot import Faults
from careplan_bridge.syntax.text import Lines, place_of, text_of, unfit

MOST = 100_000  # keys and values together; a site may have thousands of codes
_WHERE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[^\s=.\]\"']+")
_STRING = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL)
_OTHER = re.compile(r"[^,\]}#\n]+")


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
    """The tree. Numbers with a fraction are `Decimal`.

    Raises:
        FileRefused: the bytes are no TOML text (its reader stops at the first fault).
    """
    text = text_of(data, name).replace("\r\n", "\n")
    try:
        values = tomllib.loads(text, parse_float=Decimal)
        places = _Scan(text).places()
    except RecursionError:
        raise _refused(name, START, "parts lie too deep in each other", "write fewer levels") from None
    except (ValueError, ArithmeticError) as broken:
        raise _broken(name, text, str(broken)) from None
    faults = Faults(name)
    if len(places) > MOST:
        faults.add(START, f"the file has more than {MOST:,} keys and values", "give one configuration file")
        raise faults.stop()
    return _node(values, (), places, faults), faults


def _refused(name: str, place: Place, what: str, mend: str) -> FileRefused:
    faults = Faults(name)
    faults.add(place, what, mend)
    return faults.stop()


def _broken(name: str, text: str, problem: str) -> FileRefused:
    where = _WHERE.search(problem)
    says = problem[: where.start()] if where else "a number cannot be read"
    if where and where["line"]:
        place = Place(int(where["line"]), int(where["column"]))
    else:
        place = place_of(text, len(text.rstrip())) if where else START
    return _refused(name, place, f"this is no TOML: {says[:1].lower()}{says[1:]}", "mend this line")


_Places = dict[Path, tuple[Place, Place]]


def _node(value: Any, path: Path, places: _Places, faults: Faults) -> Node:
    key_place, place = places.get(path, (START, START))
    return Node(place, _value(value, path, place, places, faults), key_place)


def _value(value: Any, path: Path, place: Place, places: _Places, faults: Faults) -> Any:
    if isinstance(value, dict):
        pairs = cast("dict[str, Any]", value).items()
        return {key: _node(child, (*path, key), places, faults) for key, child in pairs}
    if isinstance(value, list):
        entries = enumerate(cast("list[Any]", value))
        return tuple(_node(child, (*path, index), places, faults) for index, child in entries)
    if isinstance(value, str) and unfit(value):
        faults.add(place, "this text holds control characters", "delete them")
        return "unreadable"
    return value


@dataclass(slots=True)
class _Scan:
    """Finds where each key and value of a valid TOML text begins."""

    text: str
    position: int = 0
    found: _Places = field(default_factory=dict[Path, tuple[Place, Place]])
    lengths: dict[Path, int] = field(default_factory=dict[Path, int])
    lines: Lines = field(init=False)

    def __post_init__(self) -> None:
        self.lines = Lines(self.text)

    def places(self) -> _Places:
        table: Path = ()
        while self._skip():
            if self.text.startswith("[[", self.position):
                table = self._array_header()
            elif self.text[self.position] == "[":
                table = self._header()
            else:
                self._pair(table)
        return self.found

    def _skip(self) -> bool:
        self._matched(_BLANK)
        return self.position < len(self.text)

    def _array_header(self) -> Path:
        place = self._place()
        self.position += 2
        path = self._resolved(self._keys())
        self.position = self.text.index("]]", self.position) + 2
        index = self.lengths.get(path, 0)
        self.lengths[path] = index + 1
        self._note((*path, index), place, place)
        self.found.setdefault(path, (place, place))
        return (*path, index)

    def _header(self) -> Path:
        place = self._place()
        self.position += 1
        path = self._resolved(self._keys())
        self.position = self.text.index("]", self.position) + 1
        self._note(path, place, place)
        return path

    def _resolved(self, keys: list[str]) -> Path:
        """A header names an array of tables without its index: the last one is meant."""
        path: Path = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if number < len(keys) - 1 and path in self.lengths:
                path = (*path, self.lengths[path] - 1)
        return path

    def _pair(self, table: Path) -> None:
        key_place = self._place()
        path = (*table, *self._keys())
        self.position = self.text.index("=", self.position) + 1
        self._skip()
        for depth in range(len(table) + 1, len(path)):
            self.found.setdefault(path[:depth], (key_place, key_place))
        self.found[path] = (key_place, self._place())
        self._value(path)

    def _keys(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._skip()
            keys.append(self._key())
            self._skip()
            if not self.text.startswith(".", self.position):
                return keys
            self.position += 1

    def _key(self) -> str:
        quoted = self.text[self.position] in "\"'"
        found = self._matched(_STRING if quoted else _BARE)
        return str(tomllib.loads(f"key = {found}")["key"]) if quoted else found

    def _value(self, path: Path) -> None:
        opening = self.text[self.position]
        if opening == "[":
            self._inside("]", path)
        elif opening == "{":
            self._inside("}", path)
        else:
            self._matched(_STRING if opening in "\"'" else _OTHER)

    def _inside(self, closing: str, path: Path) -> None:
        self.position += 1
        index = 0
        while self._skip() and self.text[self.position] != closing:
            if self.text[self.position] == ",":
                self.position += 1
            elif closing == "}":
                self._pair(path)
            else:
                self._note((*path, index), self._place(), self._place())
                self._value((*path, index))
                index += 1
        self.position += 1

    def _note(self, path: Path, key_place: Place, place: Place) -> None:
        self.found[path] = (key_place, place)

    def _place(self) -> Place:
        return self.lines.place(self.position)

    def _matched(self, pattern: re.Pattern[str]) -> str:
        """Steps over what the pattern finds here; the text is known to be TOML, so that it finds something."""
        match = pattern.match(self.text, self.position)
        found = match[0] if match else ""
        self.position += len(found)
        return found
