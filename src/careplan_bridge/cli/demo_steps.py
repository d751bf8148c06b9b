"""The steps of the demo as commands. The demo runs them; `by-hand.sh` holds the same ones for a shell."""

import shlex
from typing import NamedTuple

VISIT_1, ANSWERED, VISIT_2 = "2026-03-24T12:00:00+01:00", "2026-03-25T09:00:00+01:00", "2026-03-31T12:00:00+02:00"

_LEDGER = "--ledger ledger.sqlite"
_SITE = f"--endpoint endpoint.toml --conventions conventions.toml {_LEDGER}"

INPUTS = (
    "protocol.yaml",
    "case.yaml",
    "conventions.toml",
    "endpoint.toml",
    "patient.json",
    "visit-1.json",
    "visit-2.json",
)
_SCRIPT = f"""
Are the files sound? | check protocol.yaml case.yaml conventions.toml endpoint.toml
The protocol as FHIR definitions | convert protocol.yaml --conventions conventions.toml --to definitions
The protocol fitted to an invented person, with the surgeon's orders | draft protocol.yaml case.yaml --conventions conventions.toml --to plan
A FHIR server to rehearse on, which knows the person | sandbox --port PORT --folder sandbox --detach --load patient.json
The definitions go to the server | push protocol.yaml {_SITE}
What would be sent for the plan? | push plan/plan.json --endpoint endpoint.toml {_LEDGER} --dry-run --to would-be-sent.json
The plan goes to the server, as a draft | push plan/plan.json --endpoint endpoint.toml {_LEDGER}
First visit, week 3: somebody records what was measured | sandbox --folder sandbox --load visit-1.json
What the record holds | pull plan/plan.json --endpoint endpoint.toml {_LEDGER} --to visit-1.ndjson
What can be read of it | read visit-1.ndjson --conventions conventions.toml
What it means: the knee was bent beyond the restriction | criteria plan/plan.json visit-1.ndjson --conventions conventions.toml {_LEDGER} --at {VISIT_1} --to visit-1-check.json
The same as a page | review visit-1-check.json --to visit-1.html
The surgeon responds | respond visit-1-check.json excess flexion --person s-oyelaran --reason "Seen the same day, repair intact, back to 90 degrees" {_LEDGER} --at {ANSWERED}
Second visit, week 4 | sandbox --folder sandbox --load visit-2.json
What it means now | criteria plan/plan.json {_SITE} --at {VISIT_2} --to visit-2-check.json
The same as a page | review visit-2-check.json --to visit-2.html
The therapist decides | decide visit-2-check.json advance --reason "Criteria met on two visits, knee calm" --endpoint endpoint.toml {_LEDGER} --at {VISIT_2} --to decision.json
... and signs; the protocol asks for one signature, so this writes it back | sign decision.json --person t-lindqvist {_SITE} --at {VISIT_2}
The nightly run: what the endpoint file lets through unsigned | sync {_SITE} --at {VISIT_2} --to results.ndjson
The server ends; its data stays | sandbox --folder sandbox --stop
"""  # noqa: E501 - a command stands on one line, as a shell wants it


class Step(NamedTuple):
    """What a command is for, and its words after `careplan-bridge`."""

    says: str
    words: tuple[str, ...]

    @property
    def shown(self) -> str:
        return shlex.join(["careplan-bridge", *self.words])


def steps(port: int) -> list[Step]:
    """All steps, for a folder that holds INPUTS."""
    lines = (line.split(" | ", 1) for line in _SCRIPT.strip().splitlines())
    return [Step(says, tuple(shlex.split(command.replace("PORT", str(port))))) for says, command in lines]


def by_hand(port: int) -> str:
    """A shell script that repeats every step in a fresh folder `by-hand` beside it."""
    parts = [
        "#!/bin/sh",
        "# Repeats the demo step by step, with a sandbox of its own. Made-up criteria, not for care.",
        "set -eu",
        'cd "$(dirname "$0")"',
        "mkdir by-hand",
        f"cp {' '.join(INPUTS)} by-hand",
        "cd by-hand",
    ]
    for says, words in steps(port):
        parts += ["", f"# {says}", shlex.join(["careplan-bridge", *words])]
    return "\n".join(parts) + "\n"
