"""What all definitions of one protocol share: who publishes them, which version they are, and how they are named."""

from dataclasses import dataclass

from careplan_bridge.fhir.conditions import Vocabulary
from careplan_bridge.fhir.elements import Element, Resource, filled, markdown
from careplan_bridge.fhir.naming import resource_id, type_name
from careplan_bridge.fhir.narrative import narrative
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.protocol import Protocol


@dataclass(frozen=True, slots=True)
class Source:
    """A protocol, the catalogue it was read with, and the clinic whose identifiers are used."""

    protocol: Protocol
    catalogue: Catalogue
    clinic: Clinic

    @property
    def words(self) -> Vocabulary:
        return Vocabulary(base=self.clinic.base, protocol=self.protocol.url, facts=self.catalogue.measures)

    def of_protocol(self, kind: str, url: str, *parts: str, title: str, description: str) -> Resource:
        """The head of a definition that comes and goes with the protocol's version."""
        name = (self.protocol.id, self.protocol.version, *parts)
        return self._head(kind, url, self.protocol.version, name, title=title, description=description)

    def of_catalogue(self, kind: str, path: str, *parts: str, title: str, description: str) -> Resource:
        """The head of a definition that all protocols of the clinic share."""
        name = (*parts, self.catalogue.version)
        return self._head(
            kind, self.clinic.base + path, self.catalogue.version, name, title=title, description=description
        )

    def _head(
        self, kind: str, url: str, version: str, name: tuple[str, ...], *, title: str, description: str
    ) -> Resource:
        return head(
            kind,
            resource_id(*name),
            url,
            version,
            type_name(*name),
            self.clinic.name,
            title=title,
            description=description,
        )


def head(
    kind: str, id_: str, url: str, version: str, name: str, publisher: str, *, title: str, description: str
) -> Resource:
    """What every definition begins with, in the order of the standard."""
    return filled({
        "resourceType": kind,
        "id": id_,
        "text": narrative(title, [description]),
        "url": url,
        "version": version,
        "name": name,
        "title": title,
        "status": "active",
        "publisher": publisher,
        "description": markdown(description),
    })  # fmt: skip


def patients() -> Element:
    """A definition is about a patient."""
    return {"coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]}
