"""Is an endpoint well just now: a token, the scopes that were asked for, one read. For monitoring: it changes nothing."""

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.read import AnotherResource, Missing, read
from careplan_bridge.errors import EndpointDown, LoginRefused
from careplan_bridge.model.capabilities import Health

_SAYS_LITTLE = (
    "only the CapabilityStatement was read, which needs no rights: name a `test_patient` in the endpoint file"
)


def health(client: Client) -> Health:
    """Never raises for what the server does; WrongUse for an endpoint file that can't work."""
    try:
        problem = _one_read(client)
    except LoginRefused as error:
        return _report(client, login=False, problem=str(error))
    except EndpointDown as error:
        return _report(client, login=True, problem=str(error))
    return _report(client, login=True, problem=problem)


def _report(client: Client, *, login: bool, problem: str) -> Health:
    missing = client.granted_less
    scopes = [f"scopes asked for and not granted: {' '.join(missing)}"] if missing else []
    hint = [] if client.endpoint.test_patient else [_SAYS_LITTLE]
    said = (*([problem] if problem else []), *scopes, *hint)
    well = login and not problem and not missing
    return Health(
        endpoint=client.endpoint.name, well=well, login=login, scopes_missing=missing, read=not problem, says=said
    )


def _one_read(client: Client) -> str:
    """What is wrong with one read, empty where it went well."""
    try:
        return _patient(client, client.endpoint.test_patient) if client.endpoint.test_patient else _statement(client)
    except (Refused, AnotherResource) as error:
        return str(error)


def _patient(client: Client, reference: str) -> str:
    found = read(client, reference)
    return f"the test patient {found.value}" if isinstance(found, Missing) else ""


def _statement(client: Client) -> str:
    client.get("metadata", what="capabilities").resource()
    return ""
