"""The contract that any FHIR R4 server is held to, and where each known one differs.

The contract is the cases of tests/sandbox/data/peer that are about what a server does (requests, Bundles, searches), not about which
bodies it finds valid. differences.toml lists what a server answers instead, and why nothing is done about it.
"""

import re
import subprocess
import tomllib
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from tests.sandbox import peer

HERE = Path(__file__).parent
SERVER_PYTHON = HERE / "server" / ".venv" / "bin" / "python"
DIFFERENCES: dict[str, dict[str, dict[str, str | list[str]]]] = tomllib.loads(
    (HERE / "differences.toml").read_text(encoding="utf-8")
)
CONTRACT = [name for name in peer.names() if not name.startswith("body-")]


def expected(server: str, name: str) -> list[str]:
    """What is known to be otherwise on this server; empty where nothing is."""
    facts = DIFFERENCES[server].get(name, {}).get("facts", [])
    return list(facts)


def stable(facts: list[str]) -> list[str]:
    """Without how many resources of other cases a server found."""
    return [re.sub(r"(another)(, another)+", r"\1", fact) for fact in facts]


@contextmanager
def independent_server() -> Generator[str]:
    """The base of a server that shares no line with ours."""
    process = subprocess.Popen(
        [str(SERVER_PYTHON), str(HERE / "server" / "serve.py")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None
    assert process.stdout is not None
    with process:
        yield process.stdout.readline().decode().strip()
        process.stdin.close()
