"""What `convert` makes of the demo protocols, as the JSON text that it writes."""

from collections.abc import Iterable
from functools import cache
from pathlib import Path

from careplan_bridge import bridge
from careplan_bridge.fhir import raw
from tests.conformance.real_parts import REPOSITORY

PROTOCOLS = sorted((REPOSITORY / "fixtures" / "protocols").glob("*.yaml"))
CONVENTIONS = REPOSITORY / "fixtures" / "conventions.toml"


@cache
def converted(protocol: Path) -> dict[str, str]:
    """The resources of a protocol file, each under the name of the file it would be written to."""
    resources = bridge.convert(bridge.protocol(protocol), bridge.conventions(CONVENTIONS))
    return {f"{r['resourceType']}-{r['id']}.json": raw.encode(r).decode() for r in resources}


def write_converted(protocols: Iterable[Path], to: Path) -> list[Path]:
    """Write the resources of each protocol to a folder of its own; returns the folders."""
    folders: list[Path] = []
    for protocol in protocols:
        folder = to / protocol.stem
        folder.mkdir()
        for name, text in converted(protocol).items():
            (folder / name).write_text(text, encoding="utf-8")
        folders.append(folder)
    return folders
