"""Text cut into tokens, each with its place. Nothing is dropped but blanks; a sign that no token begins with stands alone."""

import re
from typing import Literal, NamedTuple

Kind = Literal["number", "word", "comparator", "dash", "stroke", "plus", "separator", "open", "close", "other"]

_DASH, _AT_MOST, _AT_LEAST = "\u2013", "\u2264", "\u2265"
_LEXER = re.compile(
    rf"""(?P<number>[0-9]+(?:[.,][0-9]+)?)
       | (?P<word>[^\W\d_]+(?:[./'-][^\W\d_]+)*|[%"\u00b0\u00ba']|\[[^\s\]]*\]|\{{[^\s}}]*\}})
       | (?P<comparator><=|>=|<|>|{_AT_MOST}|{_AT_LEAST})
       | (?P<dash>[-{_DASH}])
       | (?P<stroke>/)
       | (?P<plus>\+)
       | (?P<separator>[,;\n]+(?![0-9])|[:=]|\.(?=\s|$))
       | (?P<open>\()
       | (?P<close>\))
       | (?P<other>\S)""",
    re.VERBOSE,
)


class Token(NamedTuple):
    """`start` and `end` are places in the text, from 0; `free` says whether a blank, or nothing, stands before it."""

    kind: Kind
    text: str
    start: int
    end: int
    free: bool

    @property
    def folded(self) -> str:
        return self.text.casefold()


def tokens(text: str) -> list[Token]:
    """All tokens of the text, in its order."""
    return [_token(found, text) for found in _LEXER.finditer(text)]


def folded(phrase: str) -> tuple[str, ...]:
    """A phrase as the words it is compared by."""
    return tuple(token.folded for token in tokens(phrase))


def _token(found: re.Match[str], text: str) -> Token:
    kind: Kind = found.lastgroup  # pyright: ignore[reportAssignmentType] - one group always matched
    start = found.start()
    return Token(kind, found[0], start, found.end(), start == 0 or text[start - 1] in " \t\n(,;:")
