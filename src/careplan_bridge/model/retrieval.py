"""What was pulled from a server: when, by which queries, and whether it is complete."""

from datetime import datetime
from typing import Any, Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS


class Query(Struct, frozen=True, kw_only=True):
    """One search, without the patient: `asked` shows the parameters with the subject left out (I6)."""

    asked: str
    pages: int
    entries: int
    complete: bool
    why: str = ""


class RetrievalHeader(Struct, frozen=True, kw_only=True):
    """The first line of a retrieval file; the Observations follow, one a line. `complete` only if every query is.

    `identity`: what became of the Patient since, in words, where the record says that it is no longer the one; else empty.
    """

    document: Literal["retrieval"] = "retrieval"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    plan: str
    endpoint: str
    started: datetime
    ended: datetime
    complete: bool
    identity: str = ""
    queries: tuple[Query, ...]
    observations: int


class Retrieval(Struct, frozen=True, kw_only=True):
    """`observations` are raw resources, numbers kept as written (I3)."""

    header: RetrievalHeader
    observations: tuple[dict[str, Any], ...]
