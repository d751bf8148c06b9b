"""The command reference is what the commands say of themselves."""

import importlib.util
from pathlib import Path
from types import ModuleType

import click
import pytest

from careplan_bridge.cli.main import COMMANDS, program

TOP = Path(__file__).parents[2]
CONTEXT = click.Context(program, info_name="careplan-bridge")


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, TOP / "scripts" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_what_the_commands_say() -> None:
    written = (TOP / "docs" / "commands.md").read_text(encoding="utf-8")
    assert written == script("command_reference").reference(), "run python scripts/command_reference.py"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_has_help(name: str) -> None:
    command = program.get_command(CONTEXT, name)
    assert command is not None
    assert command.name == name
    assert command.help
    for option in command.params:
        assert not isinstance(option, click.Option) or option.help, option.name


def test_readme_names_only_commands_that_exist() -> None:
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    named = {line.split()[1] for line in readme.splitlines() if line.strip().startswith("careplan-bridge ")}
    assert named <= set(COMMANDS)
