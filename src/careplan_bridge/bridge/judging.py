"""Observations into readings, and a plan's current stage judged on them. Needs no server."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import IO, TYPE_CHECKING, Any

from careplan_bridge.files import observations
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.next_visit import NextVisit
from careplan_bridge.model.plan import Plan

if TYPE_CHECKING:
    from careplan_bridge.model.reading import Readings

Resource = dict[str, Any]


def read(entries: Iterable[Resource], by: Conventions, *, patient: str | None = None) -> "Readings":
    """Readings and unusable entries; with `patient`, entries about anyone else are unusable."""
    from careplan_bridge.files import shipped  # noqa: PLC0415 - only reading needs the catalogue
    from careplan_bridge.measures.reader import Reader  # noqa: PLC0415 - as above

    return Reader(shipped.catalogue(), by).read_all(entries, patient=patient)


def criteria(
    plan: Plan, entries: Iterable[Resource], by: Conventions, at: datetime, *, complete: bool = True
) -> CriteriaCheck:
    """The check of the plan's current stage at a moment. `complete`: are these all Observations there are?"""
    from careplan_bridge.criteria.check import check  # noqa: PLC0415 - only judging needs the criteria

    return check(plan, read(entries, by, patient=plan.patient), at, complete=complete)


def next_visit(
    plan: Plan, entries: Iterable[Resource], by: Conventions, at: datetime, *, complete: bool = True
) -> NextVisit:
    """What a visit at a moment should measure, ask and leave alone. `complete`: are these all Observations there are?"""
    from careplan_bridge.criteria.next_visit import next_visit  # noqa: PLC0415 - only judging needs the criteria

    return next_visit(plan, read(entries, by, patient=plan.patient), at, complete=complete)


def entries(paths: Sequence[str], stdin: IO[bytes] | None = None) -> Iterator[Resource]:
    """Every Observation in files and folders; `-` is standard input."""
    return observations.resources(paths, stdin)


def complete(paths: Sequence[str]) -> bool:
    """False where one of the files is a retrieval that says that it is not complete."""
    return all(header.complete for header in observations.headers(paths))
