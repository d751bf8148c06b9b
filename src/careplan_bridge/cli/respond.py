"""`respond`: what a named clinician did about a red flag, an excess, or a write that waits for a person."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, options, output
from careplan_bridge.errors import WrongUse
from careplan_bridge.review.documents import response_document

_OF_A_CHECK = ("red-flag", "excess")
_AT_AN_ENDPOINT = ("conflict", "identity")


@click.command("respond")
@click.argument("on", metavar="CHECK|DECISION|PLAN")
@click.argument("about", type=click.Choice([*_OF_A_CHECK, "transcribed", *_AT_AN_ENDPOINT]))
@click.argument("subject", metavar="ID")
@click.option("--person", required=True, help="The id of the responding clinician in the case file.")
@click.option("--reason", required=True, help="What was found and done, in a sentence that the record will keep.")
@click.option("--keep", type=click.Choice(["ours", "theirs"]), help="For a conflict: what is to stand.")
@click.option(
    "--role",
    type=click.Choice(["readings", "plans"]),
    help="For an identity, where [roles] names two servers: on which of them.",
)
@options.endpoint(required=False)
@options.ledger
@options.at
@options.format_("text", "json")
def command(
    *,
    on: str,
    about: str,
    subject: str,
    person: str,
    reason: str,
    keep: "bridge.Keep | None",
    role: "bridge.Role | None",
    endpoint: Path | None,
    ledger: Path,
    at: str | None,
    format_: str,
) -> None:
    """Record what a named clinician did.

    CHECK red-flag|excess ID: about a red flag that is present, or a restriction that is (possibly) exceeded, in CHECK; it covers the
    readings that the check shows, and no later ones. DECISION transcribed CODE: it was entered in the record by hand from the sheet with
    that code. PLAN conflict Type/ID: whether ours or theirs is to stand (--keep). PLAN identity Patient/ID: which Patient it is now.
    """
    _refuse_half(about, keep, endpoint)
    if role is not None and about != "identity":
        raise WrongUse("--role belongs to an identity.")
    with link.open_link(ledger, "respond", endpoint=endpoint) as site:
        plan, response = _respond(site, on, about, subject, _Answer(person, reason, at, keep, role))
    if format_ == "json":
        output.document(response_document(plan, response))
        return
    click.echo(f"response of {response.by} to {about} {subject!r} recorded{_covered(response)}")


@dataclass(frozen=True, slots=True)
class _Answer:
    """Who says what, when."""

    person: str
    reason: str
    at: str | None
    keep: "bridge.Keep | None"
    role: "bridge.Role | None"

    def moment(self, zone: str) -> datetime:
        return clock.moment(self.at, zone)


def _respond(site: "bridge.Link", on: str, about: str, subject: str, answer: _Answer) -> "tuple[str, bridge.Responded]":
    if about in _OF_A_CHECK:
        seen = bridge.check_from(_file(on))
        moment = answer.moment(seen.clinic.timezone)
        return seen.plan, site.respond(seen, about, subject, person=answer.person, reason=answer.reason, at=moment)
    if about == "transcribed":
        decision = bridge.decision_id(on)
        moment = answer.moment(site.plan_decided_on(decision).clinic.timezone)
        return site.transcribed(decision, subject, person=answer.person, reason=answer.reason, at=moment)
    plan = site.plan(on)
    moment = answer.moment(plan.clinic.timezone)
    if about == "identity":
        response = site.rebind(
            plan.id, subject, person=answer.person, reason=answer.reason, at=moment, role=answer.role
        )
        return plan.id, response
    kept: bridge.Keep = "ours" if answer.keep == "ours" else "theirs"
    return plan.id, site.settle_conflict(plan.id, subject, kept, person=answer.person, reason=answer.reason, at=moment)


def _refuse_half(about: str, keep: str | None, endpoint: Path | None) -> None:
    if about in _AT_AN_ENDPOINT and endpoint is None:
        raise WrongUse(f"`respond ... {about}` looks at the record first; name its file with --endpoint.")
    if (about == "conflict") != (keep is not None):
        raise WrongUse("--keep ours or --keep theirs belongs to a conflict, and a conflict needs it.")


def _file(path: str) -> Path:
    if not Path(path).is_file():
        raise WrongUse(f"There is no criteria check at {path!r}; `criteria` makes one.")
    return Path(path)


def _covered(response: "bridge.Responded") -> str:
    return f"; it covers {len(response.evidence)} entries" if response.about in _OF_A_CHECK else ""
