"""JSON of a server as it came, to be patched and sent back (I3).

The promise: what `decode` gave and nobody changed, `encode` writes as it was: every number digit by digit (`1.30E2`, `90.00`,
whole numbers of any size), every string character by character, every object's members in their order. What may differ is how
JSON lets the same thing be written: blanks between values are left out, and a character that came as an escape is written as
itself where JSON allows it. Two members of one name are not FHIR: the last one counts. A lone `-0` loses its sign.
"""

from typing import Any

import msgspec


def _verbatim(number: str) -> msgspec.Raw:
    return msgspec.Raw(number.encode())


# A float would turn 90.00 into 90.0; a Decimal would be encoded as text or as a rounded number.
_DECODER = msgspec.json.Decoder(float_hook=_verbatim)
_ENCODER = msgspec.json.Encoder()


def decode(data: bytes) -> Any:
    """The JSON value; objects are dicts in the order they came, numbers with a fraction or exponent are `msgspec.Raw`.

    Raises msgspec.DecodeError for what is no JSON in UTF-8.
    """
    try:
        return _DECODER.decode(data)
    except UnicodeDecodeError as error:
        raise msgspec.DecodeError("Input is not UTF-8") from error


def encode(resource: Any) -> bytes:
    """The JSON text in UTF-8, without blanks between values."""
    return _ENCODER.encode(resource)
