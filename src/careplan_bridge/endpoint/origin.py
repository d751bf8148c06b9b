"""Where a request may go: the configured origin, and nowhere else with a token."""

import re
from ipaddress import ip_address
from urllib.parse import urljoin, urlsplit

_AMBIGUOUS = re.compile(r"[\\@\x00-\x20\x7f]")
_PORTS = {"http": 80, "https": 443}

Origin = tuple[str, str, int | None]


def origin(url: str) -> Origin | None:
    """Scheme, host and port, with the port a scheme implies; None where the text is not the URL of a web server.

    Anything two readers of URLs may disagree on (user information, a backslash, white space) is not one either.
    """
    if _AMBIGUOUS.search(url):
        return None
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        return None
    if parts.scheme not in _PORTS or not parts.hostname:
        return None
    return parts.scheme, parts.hostname.lower(), port or _PORTS[parts.scheme]


def same_origin(url: str, base: str) -> bool:
    theirs = origin(url)
    return theirs is not None and theirs == origin(base)


def resolve(link: str, *, asked: str, base: str) -> str:
    """An absolute URL for a link of a page. The text of an absolute link, and any query, stays byte for byte as it is.

    `Observation?page=2` is relative to the base of the service (FHIR), not to the address just asked; a link that is
    only a query has nothing but the address asked to be relative to.
    """
    if link.startswith("?"):
        return asked.partition("?")[0] + link
    # An absolute link is not taken apart and put together again: that can lose an empty query.
    if origin(link):
        return link
    try:
        return urljoin(f"{base}/", link)
    except ValueError:  # `http://[half`: left as it is, no origin is the same as this one
        return link


def encrypted_or_local(url: str) -> bool:
    """Is it https, or does it stay on this machine?"""
    place = origin(url)
    return place is not None and (place[0] == "https" or is_loopback(place[1]))


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
