"""What a server says of logging in (SMART App Launch, `.well-known/smart-configuration`), in one sentence."""

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.untrusted import a_list
from careplan_bridge.errors import EndpointDown, LoginRefused

_OURS = {"none": "no login", "token": "a token of the site's", "backend-services": "SMART Backend Services"}


def login_words(client: Client) -> str:
    """How we log in, and whether the server declares that way; a server that says nothing of it is no fault."""
    ours = _OURS[client.endpoint.auth.kind]
    try:
        configuration = client.get(".well-known/smart-configuration", what="smart-configuration").content()
    except (Refused, LoginRefused, EndpointDown):
        configuration = None
    if configuration is None:
        return f"{ours}; the server publishes no SMART configuration"
    grants = [str(grant) for grant in a_list(configuration.get("grant_types_supported"))]
    backend = "client_credentials" in grants
    return f"{ours}; the server declares {'SMART Backend Services' if backend else 'SMART, without Backend Services'}"
