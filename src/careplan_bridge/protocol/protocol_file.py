"""A protocol file into a protocol, or into all of its faults."""

import re
from collections.abc import Sequence

from msgspec.structs import replace

from careplan_bridge.errors import Fault
from careplan_bridge.model.criterion import RedFlag
from careplan_bridge.model.digest import digest
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.protocol import Protocol
from careplan_bridge.protocol.conditions import Context
from careplan_bridge.protocol.shape import ROLES, ProtocolPart, RedFlagPart
from careplan_bridge.protocol.stages import stages, unique
from careplan_bridge.syntax import yaml
from careplan_bridge.syntax.examined import every_fault, without_fault
from careplan_bridge.syntax.nearest import suggestion
from careplan_bridge.syntax.shape import shaped
from careplan_bridge.syntax.spot import Faults, Spot

# A canonical URL: FHIR gives `|` and `#` in it meanings of their own.
_URL = re.compile(r"(?:https?://|urn:)[^\s|#<>\"{}^`\\]+")
_VERSION = re.compile(r"[A-Za-z0-9][A-Za-z0-9.-]{0,63}")


def read_protocol(data: bytes, name: str, catalogue: Catalogue) -> Protocol:
    """The protocol that a file states; `name` stands in the faults.

    Raises:
        FileRefused: with every fault of the file.
    """
    found = without_fault(*_examined(data, name, catalogue))
    return replace(found, digest=digest(found))


def check_protocol(data: bytes, name: str, catalogue: Catalogue) -> tuple[Fault, ...]:
    """Every fault and warning of a protocol file, in the order of the file."""
    return every_fault(lambda: _examined(data, name, catalogue))


def _examined(data: bytes, name: str, catalogue: Catalogue) -> tuple[Protocol | None, Faults]:
    whole, faults = yaml.read(data, name)
    part, tree = shaped(ProtocolPart, whole, faults)
    if part is None:
        return None, faults
    spot = Spot(tree, faults)
    context = Context(catalogue)
    _check_names(part, spot)
    found = Protocol(
        id=part.protocol,
        version=part.version,
        url=part.url,
        title=part.title,
        notice=part.notice or "",
        laterality=part.laterality,
        signatures=_signatures(part, spot["signatures"]),
        red_flags=_red_flags(part.red_flags, spot["red flags"]),
        stages=stages(part, spot, context, whole),
        digest="",
    )
    _check_flags_apart(part.red_flags, context, spot["red flags"])
    return found, faults


def _check_names(part: ProtocolPart, spot: Spot) -> None:
    if not _URL.fullmatch(part.url):
        spot["url"].wrong(f"`{part.url[:80]}` cannot name the protocol", "write an https address without `|` and `#`")
    if not _VERSION.fullmatch(part.version):
        spot["version"].wrong(f"`{part.version[:40]}` is no version", "write it as 1.0.0")


def _signatures(part: ProtocolPart, spot: Spot) -> dict[str, tuple[str, ...]]:
    roles = {"advance": part.signatures.advance, "discharge": part.signatures.discharge}
    for decision, names in roles.items():
        _check_roles(names, decision, spot[decision])
    if len(set(roles["discharge"])) == 1:
        spot["discharge"].wrong("discharge is signed by one role alone", "name a second one: it needs two")
    return roles


def _check_roles(names: Sequence[str], decision: str, spot: Spot) -> None:
    if not names:
        spot.lacks(f"nobody signs `{decision}`", f"name one or more of: {', '.join(ROLES)}")
    for index, role in enumerate(names):
        if role not in ROLES:
            spot[index].wrong(f"`{role}` is no role that signs", suggestion(role, ROLES))
        elif names.index(role) < index:
            spot[index].wrong(f"the role `{role}` stands here twice", "one signature a role; take it out")


def _red_flags(parts: Sequence[RedFlagPart], spot: Spot) -> tuple[RedFlag, ...]:
    if not parts:
        spot.lacks("there are no red flags", "add the clinic's questions, each with `id`, `ask` and `act`")
    unique(spot, (part.id for part in parts), "red flag")
    return tuple(RedFlag(id=part.id, ask=part.ask, act=part.act) for part in parts)


def _check_flags_apart(parts: Sequence[RedFlagPart], context: Context, spot: Spot) -> None:
    """Both are recorded under one code system, so an id means one question."""
    for index, part in enumerate(parts):
        if part.id in context.findings:
            spot[index]["id"].wrong(f"`{part.id}` is the id of a finding too", "give one of them another id")
