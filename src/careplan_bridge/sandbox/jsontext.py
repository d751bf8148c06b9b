"""JSON in and out, with the digits of every number kept as they came: 1.50 stays 1.50, 1.30E2 stays 1.30E2."""

from decimal import Decimal
from typing import Any, TypeAlias, TypeGuard

import msgspec

Resource: TypeAlias = dict[str, Any]


def _verbatim(digits: str) -> msgspec.Raw:
    return msgspec.Raw(digits.encode())


_decoder = msgspec.json.Decoder(float_hook=_verbatim)
_encoder = msgspec.json.Encoder()


def parse(text: bytes) -> object:
    """The JSON value; numbers with a fraction or an exponent are msgspec.Raw. Raises msgspec.DecodeError."""
    return _decoder.decode(text)


def render(value: object) -> bytes:
    return _encoder.encode(value)


def is_object(value: object) -> TypeGuard[Resource]:
    return isinstance(value, dict)


def is_array(value: object) -> TypeGuard[list[Any]]:
    return isinstance(value, list)


def number(value: object) -> Decimal | None:
    if isinstance(value, msgspec.Raw):
        return Decimal(bytes(value).decode())
    if isinstance(value, int) and not isinstance(value, bool):
        return Decimal(value)
    return None
