"""One canonical form of a value, and its digest: equal values give equal bytes on every machine."""

import hashlib

import msgspec

_CANONICAL = msgspec.json.Encoder(decimal_format="number", order="sorted")


def canonical(value: object) -> bytes:
    """Sorted-key JSON without spaces; decimals keep their digits."""
    return _CANONICAL.encode(value)


def digest(value: object) -> str:
    """SHA-256 over the canonical form, in hex."""
    return hashlib.sha256(canonical(value)).hexdigest()
