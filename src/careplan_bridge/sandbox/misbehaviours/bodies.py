"""Bodies that are no FHIR JSON, or another one than they say."""

from careplan_bridge.sandbox.misbehaviours.answers import (
    FHIR_JSON,
    HTML,
    compressed,
    instead,
    text_instead,
    with_text,
)
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always, first
from careplan_bridge.sandbox.misbehaviours.requests import is_search, is_write

HUGE = 65 * 1024 * 1024


def _latin(text: bytes) -> bytes:
    """As a server writes whose database is older than UTF-8."""
    return text.replace(b'"Bundle"', b'"Bundle","language":"\xe9\xdf"', 1)


def _twice(text: bytes) -> bytes:
    return text.replace(b'"resourceType":"Observation"', b'"resourceType":"Observation","status":"final"', 1)


def _padded(text: bytes) -> bytes:
    return text + b" " * HUGE


KINDS = (
    Kind(
        "html-login-page",
        "A portal that answers 200 with its sign-in page.",
        always(is_search, text_instead(200, HTML, "text/html; charset=utf-8")),
    ),
    Kind(
        "html-after-write",
        "A portal's page in the place of the answer to a write that was done.",
        first(is_write, with_text(lambda _: HTML, Content_Type="text/html")),
    ),
    Kind("outcome-with-200", "A refusal that is sent as 200.", always(is_search, instead(200, "security"))),
    Kind("empty-body", "A 200 with nothing in it.", always(is_search, with_text(lambda _: b""))),
    Kind(
        "empty-body-after-write",
        "A write is done and answered with nothing but headers.",
        always(is_write, with_text(lambda _: b"")),
    ),
    Kind(
        "truncated-json",
        "JSON that ends in its middle, in a whole answer.",
        always(is_search, with_text(lambda text: text[: len(text) * 2 // 3])),
    ),
    Kind("duplicate-names", "Names that stand twice in one object.", always(is_search, with_text(_twice))),
    Kind(
        "array-body",
        "A JSON array where a resource belongs.",
        always(is_search, with_text(lambda text: b"[" + text + b"]")),
    ),
    Kind(
        "xml-body",
        "XML though JSON was asked for.",
        always(is_search, text_instead(200, b'<Bundle xmlns="http://hl7.org/fhir"/>', "application/fhir+xml")),
    ),
    Kind(
        "latin-1",
        "Text that is not UTF-8 though it says so.",
        always(is_search, with_text(_latin, Content_Type=f"{FHIR_JSON}; charset=utf-8")),
    ),
    Kind(
        "utf-16",
        "JSON in UTF-16.",
        always(
            is_search,
            with_text(lambda text: text.decode().encode("utf-16"), Content_Type=f"{FHIR_JSON}; charset=utf-16"),
        ),
    ),
    Kind(
        "byte-order-mark",
        "A byte order mark before the JSON.",
        always(is_search, with_text(lambda text: b"\xef\xbb\xbf" + text)),
    ),
    Kind(
        "plain-text-type",
        "FHIR JSON that is called text/plain.",
        always(is_search, with_text(lambda text: text, Content_Type="text/plain")),
    ),
    Kind(
        "gzip",
        "A compressed answer, as it should be.",
        always(is_search, with_text(compressed, Content_Encoding="gzip")),
    ),
    Kind(
        "gzip-broken",
        "A body that says gzip and is none.",
        always(is_search, with_text(lambda text: text, Content_Encoding="gzip")),
    ),
    Kind("gzip-unsaid", "A compressed body that does not say so.", always(is_search, with_text(compressed))),
    Kind("huge-body", "An answer of 65 MiB.", always(is_search, with_text(_padded))),
    Kind(
        "gzip-bomb",
        "65 MiB that travel as 64 KiB.",
        always(is_search, with_text(lambda text: compressed(_padded(text)), Content_Encoding="gzip")),
    ),
    Kind(
        "deep-nesting",
        "JSON that is nested ten thousand levels deep.",
        always(is_search, text_instead(200, b"[" * 10_000, FHIR_JSON)),
    ),
    Kind(
        "not-a-number",
        "NaN where JSON knows no such thing.",
        always(is_search, with_text(lambda text: text.replace(b'"Bundle"', b'"Bundle","total":NaN', 1))),
    ),
)
