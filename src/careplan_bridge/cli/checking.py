"""A criteria check, or what follows for the next visit, from files or from an endpoint, as several commands ask for it."""

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import Any, Protocol, TypeVar, cast

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, options
from careplan_bridge.errors import WrongUse

Function = TypeVar("Function", bound=Callable[..., Any])
Made_co = TypeVar("Made_co", covariant=True)


@dataclass(frozen=True, slots=True)
class CheckInputs:
    """What the command line said. `complete` is the caller's word for files; an endpoint's retrieval says it itself."""

    plan: str
    observations: tuple[str, ...]
    conventions: Path
    endpoint: Path | None
    ledger: Path
    at: str | None
    complete: bool = True


def asking(command: Function) -> Function:
    """The arguments and options of a command that judges one plan; it is given them together, as `asked`."""

    @click.argument("plan", metavar="PLAN")
    @click.argument("observations", nargs=-1)
    @options.conventions()
    @options.endpoint(required=False)
    @options.ledger
    @options.at
    @click.option(
        "--incomplete",
        is_flag=True,
        help="These are not all Observations there are: latest values and counts cannot be told.",
    )
    @wraps(command)
    def asked_for(
        *,
        plan: str,
        observations: tuple[str, ...],
        conventions: Path,
        endpoint: Path | None,
        ledger: Path,
        at: str | None,
        incomplete: bool,
        **others: Any,
    ) -> Any:
        asked = CheckInputs(plan, observations, conventions, endpoint, ledger, at, complete=not incomplete)
        return command(asked=asked, **others)

    return cast("Function", asked_for)


def check(asked: CheckInputs) -> bridge.CriteriaCheck:
    return _judged(asked, lambda site: site.check, bridge.criteria)


def next_visit(asked: CheckInputs) -> bridge.NextVisit:
    return _judged(asked, lambda site: site.next_visit, bridge.next_visit)


class _FromFiles(Protocol[Made_co]):
    def __call__(
        self,
        plan: bridge.Plan,
        entries: Iterable[dict[str, Any]],
        by: Any,
        at: datetime,
        *,
        complete: bool,
    ) -> Made_co: ...


def _judged(
    asked: CheckInputs,
    by_site: Callable[[bridge.Link], Callable[[bridge.Plan, datetime], Made_co]],
    by_files: _FromFiles[Made_co],
) -> Made_co:
    if bool(asked.observations) == bool(asked.endpoint):
        raise WrongUse("Name either Observation files or --endpoint, where they are to be pulled from.")
    if not asked.endpoint:
        return _from_files(asked, by_files)
    with link.open_link(asked.ledger, "criteria", endpoint=asked.endpoint, conventions=asked.conventions) as site:
        plan = site.plan(asked.plan)
        return by_site(site)(plan, clock.moment(asked.at, plan.clinic.timezone))


def _from_files(asked: CheckInputs, made: _FromFiles[Made_co]) -> Made_co:
    conventions = bridge.conventions(asked.conventions)
    plan = _plan(asked)
    at = clock.moment(asked.at, plan.clinic.timezone)
    entries = bridge.entries(asked.observations, sys.stdin.buffer)
    complete = asked.complete and bridge.complete(asked.observations)
    return made(plan, entries, conventions, at, complete=complete)


def _plan(asked: CheckInputs) -> bridge.Plan:
    if not asked.ledger.is_file():
        return bridge.plan(asked.plan)
    with link.open_link(asked.ledger, "criteria", writing=False) as site:
        return site.plan(asked.plan)
