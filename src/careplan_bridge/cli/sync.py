"""`sync`: the caseload run."""

import sys
from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, logs, options, output


@click.command("sync")
@options.endpoint()
@options.conventions()
@options.ledger
@options.at
@options.to("The results file (NDJSON: a header, one line a plan, a summary).")
@click.option(
    "--retry", type=options.FILE, metavar="RESULTS", help="Only the plans that failed or were refused in this run."
)
def command(
    *, endpoint: Path, conventions: Path, ledger: Path, at: str | None, to: Path | None, retry: Path | None
) -> int:
    """Run every plan of the ledger that lives on this endpoint: pull, read, check, write what the endpoint file lets through.

    Nothing that needs a signature is written. One plan's failure never hides another's; run again to go on.
    """
    with link.open_link(ledger, "sync", endpoint=endpoint, conventions=conventions) as site:
        zone = site.conventions.zone if site.conventions else None
        due, results = site.sync(clock.moment(at, zone), bridge.plans_to_retry(retry) if retry else None)
        return _report(results, due, site, to)


def _report(results: Iterable[bridge.PlanResult], due: int, site: "bridge.Link", to: Path | None) -> int:
    name = site.endpoint.name if site.endpoint else ""
    seen: list[bridge.PlanResult] = []
    with bridge.LineFile(to, sys.stdout) as lines:
        lines.add(bridge.RunHeader(run=logs.run_id(), endpoint=name, started=clock.now(), plans=due))
        with click.progressbar(results, length=due, label="plans", file=output.progress_stream()) as bar:
            for result in bar:
                lines.add(result)
                logs.note("plan", plan=result.plan, status=result.status, exit_code=result.exit_code)
                seen.append(result)
        summary = _summary(seen, clock.now())
        lines.add(summary)
    output.note(", ".join(f"{count} {status}" for status, count in summary.summary.items()) or "no plan is due here")
    return summary.exit_code


def _summary(results: list[bridge.PlanResult], ended: datetime) -> bridge.RunSummary:
    counts = Counter(result.status for result in results)
    return bridge.RunSummary(summary=dict(sorted(counts.items())), ended=ended, exit_code=bridge.exit_code(results))
