"""`draft`: a protocol fitted to one case."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options, output


@click.command("draft")
@click.argument("protocol", type=options.FILE)
@click.argument("case", type=options.FILE)
@options.conventions()
@options.to("The folder for plan.json, transaction.json and plan.html.", required=True)
def command(*, protocol: Path, case: Path, conventions: Path, to: Path) -> None:
    """Fit PROTOCOL to CASE: the plan document, its CarePlan and Goals as a transaction Bundle, and the plan as a page.

    Refuses a plan in which a criterion demands what a restriction forbids at that time. Nothing is sent.
    """
    plan = bridge.draft(bridge.protocol(protocol), bridge.case(case), bridge.conventions(conventions))
    output.save(to / "plan.json", output.encode(plan))
    output.save(to / "transaction.json", output.encode(bridge.transaction(plan)))
    output.save(to / "plan.html", bridge.plan_page(plan).encode())
    click.echo(plan.id)
