"""Writes docs/commands.md from the commands themselves. `python scripts/command_reference.py` from the top folder."""

from collections.abc import Iterator
from pathlib import Path

import click

from careplan_bridge.cli.main import COMMANDS, program

HEADER = """# Command reference

Written from the commands by `python scripts/command_reference.py`; a test compares it. Results go to stdout, words about the work
to stderr. What reads FHIR takes files, folders, `-` or `--endpoint`.

| exit code | meaning |
| --- | --- |
| 0 | done |
| 1 | done in part, or the input is refused |
| 2 | wrong use or configuration |
| 3 | the endpoint cannot be reached or refuses the login |
| 4 | a write is unresolved or in conflict: a person must look |
| 70 | a fault of ours |
| 75 | stopped or locked: run the same command again |
"""


def reference() -> str:
    context = click.Context(program, info_name="careplan-bridge")
    return "\n".join([HEADER, *_before(context), *(_top(name, context) for name in COMMANDS)])


def _before(context: click.Context) -> Iterator[str]:
    """What stands before any command."""
    yield "## Before the command\n"
    yield "    careplan-bridge [OPTIONS] COMMAND\n"
    yield from (f"{table}\n" for table in _table(program, context))


def _top(name: str, parent: click.Context) -> str:
    command = program.get_command(parent, name)
    assert command is not None  # noqa: S101 - COMMANDS is the list that get_command reads
    return _section(name, command, parent)


def _section(name: str, command: click.Command, parent: click.Context | None, mark: str = "##") -> str:
    context = click.Context(command, info_name=name, parent=parent)
    usage = " ".join(["careplan-bridge", name, *command.collect_usage_pieces(context)])
    parts = [f"{mark} {name}", f"    {usage}", _dedented(command.help or ""), *_table(command, context)]
    return "\n\n".join([*filter(None, parts), *_below(command, context)]) + "\n"


def _below(command: click.Command, context: click.Context) -> Iterator[str]:
    """The commands of a group, one heading deeper."""
    if isinstance(command, click.Group):
        for name, inner in command.commands.items():
            yield _section(f"{context.info_name} {name}", inner, context.parent, mark="###").rstrip("\n")


def _dedented(text: str) -> str:
    return "\n".join(line.strip() for line in text.strip().splitlines())


def _table(command: click.Command, context: click.Context) -> Iterator[str]:
    options = (option for option in command.params if isinstance(option, click.Option))
    rows = [record for option in options if (record := option.get_help_record(context))]
    if rows:
        yield "\n".join(["| option | meaning |", "| --- | --- |", *(_row(*row) for row in rows)])


def _row(option: str, meaning: str) -> str:
    return f"| `{_cell(option)}` | {_cell(meaning)} |"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


if __name__ == "__main__":
    Path("docs/commands.md").write_text(reference(), encoding="utf-8")
