"""The narrative's XHTML: one div in its namespace, well formed, without scripts, event handlers or forms.

HTML's named characters (&nbsp;) are refused too: R4 speaks of them, HAPI does not take them.
"""

from typing import Any
from xml.parsers.expat import ExpatError, ParserCreate

_DIV = "http://www.w3.org/1999/xhtml div"
_FORBIDDEN = frozenset(
    {
        "applet",
        "base",
        "body",
        "button",
        "embed",
        "form",
        "frame",
        "frameset",
        "head",
        "iframe",
        "input",
        "link",
        "meta",
    }
    | {"object", "script", "select", "textarea"}
)


class _NotAllowedError(Exception):
    pass


def is_valid(text: str) -> bool:
    """Is the text a div that R4 lets stand in Narrative.div (txt-1, and txt-2: it is not empty)?"""
    reader = _Reader()
    parser = ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = reader.start
    parser.CharacterDataHandler = reader.characters
    parser.StartDoctypeDeclHandler = reader.doctype
    try:
        parser.Parse(text, True)  # noqa: FBT003 - expat's own signature: this is the final piece
    except (ExpatError, _NotAllowedError):
        return False
    return reader.says_something


class _Reader:
    def __init__(self) -> None:
        self.root: str | None = None
        self.says_something = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if self.root is None and name != _DIV:
            raise _NotAllowedError
        self.root = self.root or name
        local = name.rpartition(" ")[2]
        if local in _FORBIDDEN or any(key.startswith("on") for key in attributes):
            raise _NotAllowedError
        self.says_something = self.says_something or local == "img"

    def characters(self, text: str) -> None:
        self.says_something = self.says_something or text.strip() != ""

    def doctype(self, *_: Any) -> None:
        raise _NotAllowedError
