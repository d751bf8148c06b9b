"""The word that was probably meant."""

from collections.abc import Iterable
from difflib import get_close_matches
from functools import lru_cache

_SHOWN = 20
_LONGEST = 80  # a longer word is no slip of a known one


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The closest known word, or None where nothing is close."""
    return _nearest(word, tuple(known))


def suggestion(word: str, known: Iterable[str]) -> str:
    """What would mend a word nobody knows: the nearest one, else all of them."""
    words = sorted(set(known))
    close = nearest(word, words)
    if close is not None:
        return f"did you mean `{close}`?"
    rest = "" if len(words) <= _SHOWN else f" and {len(words) - _SHOWN} more"
    return f"known here: {', '.join(words[:_SHOWN])}{rest}" if words else "take it out"


@lru_cache(maxsize=1024)
def _nearest(word: str, known: tuple[str, ...]) -> str | None:
    plain = {_plain(candidate): candidate for candidate in known}
    close = get_close_matches(_plain(word[:_LONGEST]), plain, n=1, cutoff=0.6)
    return plain[close[0]] if close else None


def _plain(word: str) -> str:
    return word.lower().replace("_", " ").replace("-", " ").strip()
