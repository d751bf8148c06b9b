"""Is a code one of UCUM's? Asked of a kept grammar, which is loaded when the first UCUM code comes in."""

from functools import cache
from threading import Lock
from typing import Protocol

UCUM = "http://unitsofmeasure.org"
_lock = Lock()


@cache
def is_ucum(code: str) -> bool:
    """Can the code be read as a UCUM unit (case-sensitive form)?"""
    from lark.exceptions import LarkError  # noqa: PLC0415 - with pint it takes longer to load than the sandbox to start

    try:
        with _lock:
            _grammar().parse(code)
    except LarkError:
        return False
    return True


class _Grammar(Protocol):
    def parse(self, text: str) -> object: ...


@cache
def _grammar() -> _Grammar:
    import ucumvert  # noqa: PLC0415 - as above  # pyright: ignore[reportMissingTypeStubs]

    return ucumvert.get_ucum_parser()  # pyright: ignore[reportUnknownMemberType]
