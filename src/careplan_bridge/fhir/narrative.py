"""The part of a resource that a person reads: XHTML, generated from its data, every text escaped."""

from collections.abc import Iterable
from html import escape

from careplan_bridge.fhir.elements import Element
from careplan_bridge.model.cautions import CAUTIONS

_XHTML = "http://www.w3.org/1999/xhtml"


def narrative(title: str, paragraphs: Iterable[str] = (), lists: Iterable[tuple[str, Iterable[str]]] = ()) -> Element:
    """A Narrative with a title, paragraphs, and headed lists; empty lists are left out."""
    parts = [f"<p><b>{_text(title)}</b></p>", *(f"<p>{_text(text)}</p>" for text in paragraphs if text)]
    for heading, entries in lists:
        items = "".join(f"<li>{_text(entry)}</li>" for entry in entries)
        parts += [f"<p>{_text(heading)}</p><ul>{items}</ul>"] if items else []
    return {"status": "generated", "div": f'<div xmlns="{_XHTML}">{"".join(parts)}</div>'}


def cautions(notice: str) -> str:
    """The notice of the protocol and the cautions that every document carries, as one text."""
    first = f"{notice[:1].upper()}{notice[1:].rstrip('.')}." if notice else ""
    return " ".join(part for part in (first, *CAUTIONS) if part)


def _text(text: str) -> str:
    # XML 1.0 has no place for most control characters, escaped or not.
    return escape("".join(sign if sign.isprintable() or sign in "\n\t" else " " for sign in text), quote=False)
