"""Bytes into text, or the reason why not: too large, empty, another encoding, characters that no text file needs."""

import re
from bisect import bisect_right

from careplan_bridge.syntax.node import START, Place
from careplan_bridge.syntax.spot import Faults

LARGEST = 1024 * 1024  # bytes; a protocol has some 20 thousand
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufeff\ufffe\uffff]")


def text_of(data: bytes, name: str) -> str:
    """The text of a file, without a byte order mark.

    Raises:
        FileRefused: the file is too large, empty, not UTF-8, or holds control characters.
    """
    faults = Faults(name)
    _check_size(data, faults)
    text = _decoded(data.removeprefix(b"\xef\xbb\xbf"), faults)
    _check_characters(text, faults)
    if not text.strip() and not faults.refused:
        faults.add(START, "the file is empty", "start from one of the files in fixtures/")
    if faults.refused:
        raise faults.stop()
    return text


def unfit(text: str) -> bool:
    """Whether a value holds characters that FHIR's strings cannot carry."""
    return _UNFIT.search(text) is not None


def place_of(text: str, index: int) -> Place:
    """Where the character at `index` stands."""
    return Lines(text).place(index)


class Lines:
    """Finds the places of a text's characters."""

    def __init__(self, text: str) -> None:
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]

    def place(self, index: int) -> Place:
        line = bisect_right(self._starts, index)
        return Place(line, index - self._starts[line - 1] + 1)


def _check_size(data: bytes, faults: Faults) -> None:
    if len(data) > LARGEST:
        faults.add(
            START,
            f"the file has {len(data):,} bytes; at most {LARGEST:,} are read",
            "give one protocol, case or configuration file",
        )
        raise faults.stop()


def _decoded(data: bytes, faults: Faults) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as broken:
        before = data[: broken.start].decode("utf-8")
        place = place_of(before, len(before))
        faults.add(place, f"byte 0x{data[broken.start]:02x} is not UTF-8", "save the file as UTF-8")
        raise faults.stop() from None


def _check_characters(text: str, faults: Faults) -> None:
    found = _UNFIT.search(text)
    if found:
        faults.add(
            place_of(text, found.start()), f"the character U+{ord(found[0]):04X} cannot stand in this file", "delete it"
        )
