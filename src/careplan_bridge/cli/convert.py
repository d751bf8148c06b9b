"""`convert`: a protocol as FHIR R4 resources."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options, output


@click.command("convert")
@click.argument("protocol", type=options.FILE)
@options.conventions()
@options.to("A .json file for one Bundle, or a folder for one file a resource; else the Bundle goes to stdout.")
def command(*, protocol: Path, conventions: Path, to: Path | None) -> None:
    """Turn PROTOCOL into a PlanDefinition, ActivityDefinitions, a Questionnaire, a ConceptMap, CodeSystems and definitions.

    The same protocol gives the same bytes each time.
    """
    resources = bridge.convert(bridge.protocol(protocol), bridge.conventions(conventions))
    if to is None or to.suffix == ".json":
        output.result(bridge.bundle(resources), to)
        return
    for resource in resources:
        bridge.write_bytes(to / f"{resource['resourceType']}-{resource['id']}.json", output.encode(resource))
    output.note(f"wrote {len(resources)} resources into {to}")
