"""Whom we trust, and how a server knows our machine."""

import ssl
from functools import cache

from careplan_bridge.endpoint.login import Secret
from careplan_bridge.errors import WrongUse
from careplan_bridge.model.endpoint import Endpoint


@cache
def _public_trust() -> ssl.SSLContext:
    """Reading the system's authorities takes longer than most requests."""
    return ssl.create_default_context()


def trust(endpoint: Endpoint, secret: Secret) -> ssl.SSLContext:
    """Whom we trust, and how the server knows our machine where it wants a client certificate."""
    if not endpoint.client_certificate or not endpoint.client_key:
        return _authorities(endpoint.ca_file) if endpoint.ca_file else _public_trust()
    context = _authorities(endpoint.ca_file)
    secret(endpoint.client_key)  # refused where others than its owner may read it; OpenSSL opens the file itself
    try:
        context.load_cert_chain(endpoint.client_certificate, endpoint.client_key, password=b"")
    except (OSError, ssl.SSLError):
        pass
    else:
        return context
    raise WrongUse(
        "`client_certificate` and `client_key` in the endpoint file are no pair of a PEM certificate and its key without a password"
    )


def _authorities(ca_file: str | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except (OSError, ssl.SSLError):
        pass
    raise WrongUse("`ca_file` in the endpoint file cannot be read as PEM certificates")


def about_certificate(error: BaseException) -> bool:
    """Was a connection given up because the server could not show that it is the one we trust?"""
    # What a library raises twice can be its own cause: the chain is followed only as far as it is new.
    chain: list[BaseException] = [error]
    while (cause := chain[-1].__cause__ or chain[-1].__context__) and cause not in chain:
        chain.append(cause)
    return any(isinstance(each, ssl.SSLCertVerificationError) for each in chain)
