"""Options that several commands share, worded once."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

Function = TypeVar("Function", bound=Callable[..., Any])
Decorator = Callable[[Function], Function]

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
DEFAULT_LEDGER = "careplan-bridge.sqlite"

ledger = click.option(
    "--ledger",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="CAREPLAN_BRIDGE_LEDGER",
    default=DEFAULT_LEDGER,
    show_default=True,
    show_envvar=True,
    help="The local record of plans, courses and decisions.",
)
at = click.option("--at", "at", metavar="MOMENT", help="Judge as of this day or moment instead of now.")
dry_run = click.option("--dry-run", is_flag=True, help="Show what would be sent; send nothing.")


def conventions(*, required: bool = True) -> Decorator[Any]:
    return click.option(
        "--conventions", type=FILE, required=required, help="What the clinic declares: its name, zone, codes, units."
    )


def endpoint(*, required: bool = True) -> Decorator[Any]:
    return click.option("--endpoint", type=FILE, required=required, help="The endpoint file of a FHIR server.")


def to(what: str, *, required: bool = False) -> Decorator[Any]:
    return click.option("--to", type=click.Path(path_type=Path), required=required, help=what)


def format_(*choices: str) -> Decorator[Any]:
    return click.option(
        "--format", "format_", type=click.Choice(choices), default=choices[0], show_default=True, help="How to print."
    )
