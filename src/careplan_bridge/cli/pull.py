"""`pull`: a plan's Observations, and whether they are complete."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import link, options, output


@click.command("pull")
@click.argument("plan", metavar="PLAN")
@options.endpoint()
@options.ledger
@options.to("The retrieval file (NDJSON: a header, then one Observation a line).", required=True)
def command(*, plan: str, endpoint: Path, ledger: Path, to: Path) -> int:
    """Fetch the Observations of PLAN's patient. PLAN is a plan document or a plan's id in the ledger.

    Exit code 1 says that the retrieval is not complete; the file is written all the same and says so.
    """
    with link.open_link(ledger, "pull", endpoint=endpoint) as site:
        retrieval = site.pull(site.plan(plan))
    output.save(to, bridge.retrieval_bytes(retrieval))
    header = retrieval.header
    output.note(f"{header.observations} Observations, {'complete' if header.complete else 'NOT complete'}")
    for query in header.queries:
        if query.why:
            output.note(f"  {query.asked}: {query.why}")
    return 0 if header.complete else 1
