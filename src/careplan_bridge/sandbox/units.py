"""Is a code one of UCUM's? Asked of a kept grammar, which is loaded when the first UCUM code comes in."""

from functools import cache
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lark import Lark

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


@cache
def _grammar() -> "Lark":
    from ucumvert import get_ucum_parser  # noqa: PLC0415 - as above

    return get_ucum_parser()
