"""Ids and names of definitions: the same in every run, and within what FHIR allows."""

import re

from careplan_bridge.model.digest import digest

_LONGEST = 64
_MARK = 8


def resource_id(*parts: str) -> str:
    """The parts joined by hyphens, `[A-Za-z0-9\\-.]{1,64}`; what is too long, or had other signs, ends in a mark of its own."""
    text = "-".join(parts)
    plain = re.sub(r"[^A-Za-z0-9.\-]+", "-", text).strip("-")
    if plain == text and len(plain) <= _LONGEST:
        return plain
    return f"{plain[: _LONGEST - _MARK - 1].rstrip('-.')}-{digest(text)[:_MARK]}".lstrip("-")


def element_id(*parts: str) -> str:
    """An id within a resource, as other elements name it: the parts joined by dots, shortened as `resource_id` does."""
    return resource_id(".".join(parts))


def type_name(*parts: str) -> str:
    """A name that programs may use: capitals at the start of words, letters and digits only."""
    words = re.findall(r"[A-Za-z0-9]+", " ".join(parts))
    text = "".join(word[:1].upper() + word[1:] for word in words)
    return (text if text[:1].isalpha() else f"N{text}")[:255]
