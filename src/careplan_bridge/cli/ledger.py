"""`ledger`: backup, export, purge and verify of the local record."""

import sys
from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, options, output
from careplan_bridge.cli.meant import Meaning


@click.group("ledger", cls=Meaning)
def command() -> None:
    """Look after the local record of plans, courses, decisions and writes."""


@command.command("backup")
@options.ledger
@options.to("The copy: a new file.", required=True)
def backup(*, ledger: Path, to: Path) -> None:
    """Copy the ledger as it is at this moment, while other commands may be writing to it. The copy is a ledger itself."""
    with _reading(ledger, "backup") as kept:
        kept.back_up(to)
    with _reading(to, "backup") as copy:
        head = copy.verify().head
    output.note(f"wrote {to}; the head of its chain is {head}")


@command.command("export")
@options.ledger
@options.to("The export (NDJSON: a header, one line an entry, an end); without it, stdout.")
@click.option("--plan", metavar="ID", help="This plan alone, without the chain.")
def export(*, ledger: Path, to: Path | None, plan: str | None) -> None:
    """Write plans, courses, checks, decisions, writes and the chain as lines of JSON that need no program to be read."""
    with _reading(ledger, "export") as kept, bridge.LineFile(to, sys.stdout) as lines:
        for line in kept.export(plan):
            lines.add(line)
    if to is not None:
        output.note(f"wrote {to}")


@command.command("purge")
@click.argument("plan", metavar="PLAN")
@click.option("--reason", required=True, help="Why, in words that may be kept: no names.")
@options.ledger
@click.option("--dry-run", is_flag=True, help="Show what would be removed and what is kept; remove nothing.")
@options.format_("text", "json")
def purge(*, plan: str, reason: str, ledger: Path, dry_run: bool, format_: str) -> None:
    """Remove what the ledger holds of a closed plan. Refuses while a write or a signed decision has not come to its end."""
    with bridge.Ledger(ledger, now=clock.now, owner="careplan-bridge ledger purge", new=False) as kept:
        purged = kept.purge(plan, reason, dry_run=dry_run)
    if format_ == "json":
        output.document(purged)
    else:
        _print_purge(purged)


@command.command("verify")
@options.ledger
@click.option(
    "--head", metavar="PLACE:DIGEST", help="A head that was noted earlier; the chain must still go through it."
)
@options.format_("text", "json")
def verify(*, ledger: Path, head: str | None, format_: str) -> int:
    """Say whether the ledger is whole, and whether any decision, response or course entry was changed since it was recorded.

    Ends with 1 where there are faults. Note the head elsewhere: who can write the file could make its chain anew.
    """
    with _reading(ledger, "verify") as kept:
        found = kept.verify(head)
    if format_ == "json":
        output.document(found)
    else:
        _print_verification(found)
    return 1 if found.faults else 0


def _reading(ledger: Path, command_name: str) -> "bridge.Ledger":
    return bridge.Ledger(ledger, now=clock.now, owner=f"careplan-bridge ledger {command_name}", writing=False)


def _print_purge(purged: bridge.Purge) -> None:
    click.echo("would be removed:" if purged.dry_run else "removed:")
    for table, count in purged.removed.items():
        click.echo(f"  {count:>6}  {table}")
    click.echo("kept:")
    for sentence in purged.kept:
        click.echo(f"  {sentence}")


def _print_verification(found: bridge.Verification) -> None:
    for fault in found.faults:
        click.echo(f"{fault.where}: {fault.what}")
    for sentence in found.notes:
        output.note(sentence)
    begun = f", begun {found.chain_since[:10]}" if found.chain_since else ""
    click.echo(f"head {found.head or 'none'}{begun}")
    click.echo(f"{found.open_writes} open writes, {found.waiting_decisions} waiting decisions")
    click.echo(f"{len(found.faults)} faults" if found.faults else "no fault found")
