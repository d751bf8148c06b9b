"""The systemd units in docs/running.md: systemd takes them, and they start again only after what a second run mends."""

import re
import shutil
import subprocess
from configparser import ConfigParser
from pathlib import Path

import pytest

from careplan_bridge import errors
from tests.cli.test_operating_pages import RUNNING
from tests.flow.workplace import COMMAND

INSTALLED = "/opt/careplan-bridge/bin/careplan-bridge"
# What systemd.unit(5), systemd.service(5), systemd.exec(5) and systemd.timer(5) name, as far as it is used.
KEYS = {
    "Unit": {"Description", "Wants", "After"},
    "Service": {
        "Type", "User", "WorkingDirectory", "UMask", "Environment", "ExecStart", "Restart", "RestartPreventExitStatus", "RestartSec",
        "NoNewPrivileges", "ProtectSystem", "ReadWritePaths",
    },
    "Timer": {"OnCalendar", "Persistent"},
    "Install": {"WantedBy"},
}  # fmt: skip
UNITS = {
    match[1]: re.sub(r"^    ", "", match[2], flags=re.MULTILINE).strip() + "\n"
    for match in re.finditer(r"`/etc/systemd/system/([\w.-]+)`:\n\n((?:    .*\n|\n)+)", RUNNING)
}


def parsed(name: str) -> ConfigParser:
    unit = ConfigParser(strict=False, interpolation=None, delimiters=("=",))
    unit.optionxform = str  # pyright: ignore[reportAttributeAccessIssue] - keys of units have capitals
    unit.read_string(UNITS[name])
    return unit


def test_the_units_are_found() -> None:
    assert set(UNITS) == {"careplan-bridge.service", "careplan-bridge.timer"}


@pytest.mark.parametrize("name", sorted(UNITS))
def test_sections_and_keys_are_known(name: str) -> None:
    unit = parsed(name)
    assert [(part, key) for part in unit.sections() for key in unit[part] if key not in KEYS.get(part, ())] == []


def test_it_starts_again_where_running_again_goes_on_and_nowhere_else() -> None:
    service = parsed("careplan-bridge.service")["Service"]
    kinds = [each for each in vars(errors).values() if isinstance(each, type) and issubclass(each, errors.BridgeError)]
    codes = {kind.exit_code for kind in kinds}
    assert service["Restart"] == "on-failure"
    assert {int(code) for code in service["RestartPreventExitStatus"].split()} == codes - {errors.RunAgain.exit_code}


def test_systemd_takes_them(tmp_path: Path) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not here")
    for name, text in UNITS.items():
        (tmp_path / name).write_text(text.replace(INSTALLED, str(COMMAND)), encoding="utf-8")
    units = [str(tmp_path / name) for name in sorted(UNITS)]
    done = subprocess.run([analyze, "verify", *units], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
