"""One reader of URLs decides who gets the token; what two readers could understand differently is nobody's address."""

import pytest

from careplan_bridge.endpoint.origin import encrypted_or_local, origin, resolve, same_origin

BASE = "https://fhir.example.org/r4"


@pytest.mark.parametrize(
    "url",
    [
        "https://fhir.example.org",
        "https://FHIR.Example.Org/x",
        "https://fhir.example.org:443/r4?a=b",
        f"{BASE}?x=http://evil/",
    ],
)
def test_the_same_origin_however_it_is_spelled(url: str) -> None:
    assert same_origin(url, BASE)


@pytest.mark.parametrize(
    "url",
    [
        "http://fhir.example.org/r4",
        "https://fhir.example.org:444/r4",
        "https://fhir.example.org.evil.example/r4",
        "https://evil.example/fhir.example.org",
        "https://fhir.example.org@evil.example/r4",
        "https://evil.example\\@fhir.example.org/r4",
        "https://fhir.example.org\t.evil.example/",
        "https://fhir.example.org:port/r4",
        "https:///r4",
        "file:///etc/passwd",
        "/r4/Patient",
        "",
    ],
)
def test_anything_else_is_another_origin(url: str) -> None:
    assert not same_origin(url, BASE)


def test_two_addresses_that_are_none_are_not_the_same_origin() -> None:
    assert not same_origin("nowhere", "nowhere")


@pytest.mark.parametrize(
    ("link", "absolute"),
    [
        ("https://fhir.example.org/r4?", "https://fhir.example.org/r4?"),
        ("?page=2", "https://fhir.example.org/r4/Observation?page=2"),
        ("Observation?page=2", "https://fhir.example.org/r4/Observation?page=2"),
        ("/r4?_getpages=a|b", "https://fhir.example.org/r4?_getpages=a|b"),
        ("//evil.example/r4", "https://evil.example/r4"),
    ],
)
def test_links_are_resolved_against_the_base(link: str, absolute: str) -> None:
    assert resolve(link, asked=f"{BASE}/Observation?patient=1", base=BASE) == absolute


@pytest.mark.parametrize(
    ("url", "private"),
    [
        ("https://fhir.example.org", True),
        ("http://127.0.0.1:8080/fhir", True),
        ("http://[::1]:8080/fhir", True),
        ("http://localhost/fhir", True),
        ("http://fhir.example.org/", False),
        ("http://10.0.0.1/fhir", False),
        ("http://localhost.example.org/", False),
        ("nonsense", False),
    ],
)
def test_secrets_travel_encrypted_or_not_at_all(url: str, private: bool) -> None:  # noqa: FBT001
    assert encrypted_or_local(url) == private


def test_origin_has_the_port_a_scheme_implies() -> None:
    assert origin("http://A.example/x") == ("http", "a.example", 80)
