"""Questions about a request."""

from careplan_bridge.sandbox.exchange import Asked

WELL_KNOWN = ".well-known"
TOKEN = "token"  # noqa: S105 - a path


def anything(asked: Asked) -> bool:
    """Every FHIR request but the one for capabilities."""
    return asked.path[:1] not in {("metadata",), (WELL_KNOWN,), (TOKEN,)}


def is_write(asked: Asked) -> bool:
    return asked.method == "PUT" or is_post(asked)


def is_post(asked: Asked) -> bool:
    """A create or a transaction."""
    return asked.method == "POST" and "_search" not in asked.path and asked.path != (TOKEN,)


def is_create(asked: Asked) -> bool:
    return is_post(asked) and len(asked.path) == 1


def is_update(asked: Asked) -> bool:
    return asked.method == "PUT"


def is_transaction(asked: Asked) -> bool:
    return is_post(asked) and asked.path == ()


def is_read(asked: Asked) -> bool:
    return asked.method == "GET" and len(asked.path) == 2 and asked.path[0] != WELL_KNOWN  # noqa: PLR2004 - type and id


def is_first_page(asked: Asked) -> bool:
    is_get = asked.method == "GET" and len(asked.path) == 1 and asked.path != ("metadata",)
    return is_get or "_search" in asked.path


def is_further_page(asked: Asked) -> bool:
    return asked.method == "GET" and asked.query.startswith("_page=")


def is_search(asked: Asked) -> bool:
    return is_first_page(asked) or is_further_page(asked)


def is_about_patient(asked: Asked) -> bool:
    return is_read(asked) and asked.path[0] == "Patient"


def searches(kind: str) -> "_Searches":
    return _Searches(kind)


class _Searches:
    """Is it the first page of a search for this type?"""

    def __init__(self, kind: str) -> None:
        self._kind = kind

    def __call__(self, asked: Asked) -> bool:
        return is_first_page(asked) and asked.path[0] == self._kind
