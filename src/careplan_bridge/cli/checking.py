"""A criteria check from files or from an endpoint, as several commands ask for it."""

import sys
from dataclasses import dataclass
from pathlib import Path

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link
from careplan_bridge.errors import WrongUse


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line said. `complete` is the caller's word for files; an endpoint's retrieval says it itself."""

    plan: str
    observations: tuple[str, ...]
    conventions: Path
    endpoint: Path | None
    ledger: Path
    at: str | None
    complete: bool = True


def check(asked: Asked) -> bridge.CriteriaCheck:
    if bool(asked.observations) == bool(asked.endpoint):
        raise WrongUse("Name either Observation files or --endpoint, where they are to be pulled from.")
    return _pulled(asked) if asked.endpoint else _from_files(asked)


def _pulled(asked: Asked) -> bridge.CriteriaCheck:
    with link.open_link(asked.ledger, "criteria", endpoint=asked.endpoint, conventions=asked.conventions) as site:
        plan = site.plan(asked.plan)
        return site.check(plan, clock.moment(asked.at, plan.clinic.timezone))


def _from_files(asked: Asked) -> bridge.CriteriaCheck:
    conventions = bridge.conventions(asked.conventions)
    plan = _plan(asked)
    at = clock.moment(asked.at, plan.clinic.timezone)
    entries = bridge.entries(asked.observations, sys.stdin.buffer)
    complete = asked.complete and bridge.complete(asked.observations)
    return bridge.criteria(plan, entries, conventions, at, complete=complete)


def _plan(asked: Asked) -> bridge.Plan:
    if not asked.ledger.is_file():
        return bridge.plan(asked.plan)
    with link.open_link(asked.ledger, "criteria", writing=False) as site:
        return site.plan(asked.plan)
