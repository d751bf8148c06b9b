"""JSON of a server as it came: numbers with a fraction or an exponent keep the digits they were written with (I3)."""

from typing import Any

import msgspec


def _verbatim(number: str) -> msgspec.Raw:
    return msgspec.Raw(number.encode())


# A float would turn 90.00 into 90.0; a Decimal would be encoded as text or as a rounded number.
_DECODER = msgspec.json.Decoder(float_hook=_verbatim)
_ENCODER = msgspec.json.Encoder()


def decode(data: bytes) -> Any:
    """The JSON value; objects are dicts in the order they came. Raises msgspec.DecodeError."""
    return _DECODER.decode(data)


def encode(resource: Any) -> bytes:
    """The JSON text, without spaces; what `decode` gave and nobody changed comes back as it was written."""
    return _ENCODER.encode(resource)
