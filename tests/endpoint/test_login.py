"""Tokens: where they come from, where they go, how long they live, and what happens when one is not accepted."""

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import httpx
import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from msgspec.structs import replace

from careplan_bridge.endpoint.asking import Ask
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import LoginFailed, Refused, Unreachable
from careplan_bridge.endpoint.read import Stored, read
from careplan_bridge.endpoint.scopes import missing_scopes
from careplan_bridge.endpoint.send import update
from careplan_bridge.errors import LoginRefused, WrongUse
from careplan_bridge.files.secrets import read_secret
from careplan_bridge.model.endpoint import Auth
from tests.endpoint.scripted import BASE, MOMENT, Waits, client_of, endpoint, json, script, sent

GOAL = {"resourceType": "Goal", "id": "g"}
URL = f"{BASE}/Goal/g"
TOKEN_URL = "https://login.example.org/token"
SCOPES = ("system/Patient.rs", "system/Observation.rs", "system/Goal.crus")


def _pem(key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


ES_KEY = ec.generate_private_key(ec.SECP384R1())
RS_KEY = rsa.generate_private_key(65537, 2048)
SMART = Auth(
    kind="backend-services",
    client_id="bridge",
    key_file="key.pem",
    key_id="k1",
    algorithm="ES384",
    token_url=TOKEN_URL,
    scopes=SCOPES,
)


def _client(auth: Auth = SMART, key: bytes | None = None, clock: Callable[[], datetime] = lambda: MOMENT) -> Client:
    return client_of(endpoint(auth=auth), Waits(), clock=clock, secret=lambda _: key or _pem(ES_KEY))


def _token(value: str = "t-1", **more: Any) -> httpx.Response:
    return json({"access_token": value, "token_type": "bearer", "expires_in": 300} | more)


def _form(request: httpx.Request) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(request.content.decode()).items()}


def test_a_token_from_the_environment_goes_to_the_endpoint() -> None:
    auth = Auth(kind="token", token_env="BRIDGE_TOKEN")
    with script() as router, client_of(endpoint(auth=auth), environ={"BRIDGE_TOKEN": " abc "}) as client:
        route = router.get(URL).mock(return_value=json(GOAL))
        read(client, "Goal/g")
    assert route.calls.last.request.headers["Authorization"] == "Bearer abc"


def test_whatever_asks_elsewhere_the_token_stays_here() -> None:
    auth = Auth(kind="token", token_env="T")
    with script(), client_of(endpoint(auth=auth), environ={"T": "abc"}) as client:
        here, there = (client.request(Ask(method="GET", url=url, what="x"), "1") for url in (URL, TOKEN_URL))
    assert "Authorization" in here.headers
    assert "Authorization" not in there.headers


def test_a_token_from_a_file_only_its_owner_can_read(tmp_path: Path) -> None:
    path = tmp_path / "token"
    path.write_text("abc\n")
    path.chmod(0o600)
    auth = Auth(kind="token", token_file=str(path))
    with script() as router, client_of(endpoint(auth=auth), secret=read_secret) as client:
        route = router.get(URL).mock(return_value=json(GOAL))
        read(client, "Goal/g")
    assert route.calls.last.request.headers["Authorization"] == "Bearer abc"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666, 0o620])
def test_a_secret_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "token"
    path.write_text("abc")
    path.chmod(mode)
    with pytest.raises(WrongUse, match="chmod 600"):
        read_secret(str(path))


def test_a_secret_that_is_missing_or_huge_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="cannot be read"):
        read_secret(str(tmp_path / "none"))
    path = tmp_path / "huge"
    path.write_bytes(b"x" * 100_000)
    path.chmod(0o600)
    with pytest.raises(WrongUse, match="too large"):
        read_secret(str(path))


@pytest.mark.parametrize("value", [None, "", "  ", "two words", "a\nb: c"])
def test_what_is_no_token_is_not_sent(value: str | None) -> None:
    auth = Auth(kind="token", token_env="BRIDGE_TOKEN")
    with pytest.raises(WrongUse, match="BRIDGE_TOKEN"):
        client_of(endpoint(auth=auth), environ={} if value is None else {"BRIDGE_TOKEN": value})


def test_a_login_over_plain_http_is_refused() -> None:
    auth = Auth(kind="token", token_env="T")
    with pytest.raises(WrongUse, match="https"):
        client_of(endpoint("http://fhir.example.org/r4", auth=auth), environ={"T": "t"})


def test_the_proof_of_who_we_are_does_not_travel_over_plain_http() -> None:
    auth = replace(SMART, token_url="http://login.example.org/token")
    with script(), _client(auth) as client, pytest.raises(WrongUse, match="https"):
        read(client, "Goal/g")


@pytest.mark.parametrize(("algorithm", "key"), [("ES384", ES_KEY), ("RS384", RS_KEY)])
def test_the_assertion_says_who_we_are_as_smart_wants_it(algorithm: Any, key: Any) -> None:
    auth = replace(SMART, algorithm=algorithm)
    with script() as router, _client(auth, _pem(key)) as client:
        login = router.post(TOKEN_URL).mock(return_value=_token())
        data = router.get(URL).mock(return_value=json(GOAL))
        read(client, "Goal/g")
    request = login.calls.last.request
    form = _form(request)
    assert "Authorization" not in request.headers
    assert (form["grant_type"], form["scope"]) == ("client_credentials", " ".join(SCOPES))
    assert form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
    assert jwt.get_unverified_header(form["client_assertion"]) == {"alg": algorithm, "kid": "k1", "typ": "JWT"}
    options: Any = {"verify_exp": False}
    claims = jwt.decode(form["client_assertion"], key.public_key(), [algorithm], audience=TOKEN_URL, options=options)
    assert claims["iss"] == claims["sub"] == "bridge"
    assert 0 < claims["exp"] - MOMENT.timestamp() <= 300
    assert data.calls.last.request.headers["Authorization"] == "Bearer t-1"


def test_every_try_to_log_in_has_an_identity_of_its_own() -> None:
    with script() as router, _client() as client:
        login = router.post(TOKEN_URL).mock(side_effect=[httpx.Response(503), httpx.ReadTimeout("x"), _token()])
        router.get(URL).mock(return_value=json(GOAL))
        read(client, "Goal/g")
        assertions = [_form(request)["client_assertion"] for request in sent(login)]
    identities = {jwt.decode(each, options={"verify_signature": False})["jti"] for each in assertions}
    assert len(identities) == 3


def test_a_token_is_kept_until_shortly_before_it_ends() -> None:
    moments = [MOMENT]
    with script() as router, _client(clock=lambda: moments[-1]) as client:
        login = router.post(TOKEN_URL).mock(side_effect=[_token("t-1"), _token("t-2")])
        data = router.get(URL).mock(return_value=json(GOAL))
        for seconds in (0, 269, 271):
            moments.append(MOMENT + timedelta(seconds=seconds))
            read(client, "Goal/g")
        tokens = [request.headers["Authorization"] for request in sent(data)]
    assert (login.call_count, tokens) == (2, ["Bearer t-1", "Bearer t-1", "Bearer t-2"])


def test_a_token_that_is_no_longer_accepted_is_replaced_once_even_for_a_write() -> None:
    with script() as router, _client() as client:
        login = router.post(TOKEN_URL).mock(side_effect=[_token("t-1"), _token("t-2")])
        data = router.put(URL).mock(side_effect=[httpx.Response(401), json(GOAL)])
        update(client, GOAL, version="1")
        assert data.calls.last.request.headers["Authorization"] == "Bearer t-2"
    assert (login.call_count, data.call_count) == (2, 2)


def test_a_second_refusal_is_not_about_the_tokens_age() -> None:
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(side_effect=[_token("t-1"), _token("t-2")])
        data = router.get(URL).mock(return_value=httpx.Response(401))
        with pytest.raises(LoginFailed) as caught:
            read(client, "Goal/g")
    assert (data.call_count, caught.value.exit_code) == (2, 3)


@pytest.mark.parametrize("status", [400, 401, 403])
def test_a_refused_client_is_a_refused_login_with_the_servers_one_word(status: int) -> None:
    refusal = json({"error": "invalid_client", "error_description": "key of Dr Elm expired"}, status)
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(return_value=refusal)
        with pytest.raises(LoginRefused, match="invalid_client") as caught:
            read(client, "Goal/g")
    assert "Elm" not in str(caught.value)


@pytest.mark.parametrize(
    "answer", [httpx.Response(200, text="<html>"), json({}), json({"access_token": "a b"}), json({"access_token": 5})]
)
def test_an_answer_without_a_usable_token_is_a_refused_login(answer: httpx.Response) -> None:
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(return_value=answer)
        with pytest.raises(LoginRefused):
            read(client, "Goal/g")


def test_a_token_endpoint_that_is_down_is_tried_again_later() -> None:
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(side_effect=httpx.ConnectError("x"))
        with pytest.raises(Unreachable):
            read(client, "Goal/g")


def test_the_token_endpoint_is_found_by_the_smart_configuration() -> None:
    auth = replace(SMART, token_url=None)
    with script() as router, _client(auth) as client:
        configuration = router.get(f"{BASE}/.well-known/smart-configuration").mock(
            return_value=json({"token_endpoint": TOKEN_URL})
        )
        login = router.post(TOKEN_URL).mock(return_value=_token())
        router.get(URL).mock(return_value=json(GOAL))
        assert isinstance(read(client, "Goal/g"), Stored)
    assert "Authorization" not in configuration.calls.last.request.headers
    assert (
        jwt.decode(_form(login.calls.last.request)["client_assertion"], options={"verify_signature": False})["aud"]
        == TOKEN_URL
    )


@pytest.mark.parametrize("found", [{}, {"token_endpoint": "http://login.example.org/token"}, {"token_endpoint": 5}])
def test_a_configuration_without_a_usable_token_endpoint_is_a_refused_login(found: dict[str, Any]) -> None:
    auth = replace(SMART, token_url=None)
    with script() as router, _client(auth) as client:
        router.get(f"{BASE}/.well-known/smart-configuration").mock(return_value=json(found))
        with pytest.raises(LoginRefused, match="token_url"):
            read(client, "Goal/g")


@pytest.mark.parametrize("key", [b"not a key", _pem(RS_KEY)], ids=["no key", "of the other kind"])
def test_a_key_that_cannot_sign_is_a_fault_of_the_configuration(key: bytes) -> None:
    with script(), _client(key=key) as client, pytest.raises(WrongUse, match="ES384"):
        read(client, "Goal/g")


def test_scopes_that_were_not_granted_are_noted() -> None:
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(
            return_value=_token(scope="system/Patient.read system/Observation.rs system/Goal.rs")
        )
        router.get(URL).mock(return_value=json(GOAL))
        assert client.granted_less == ()
        read(client, "Goal/g")
        assert client.granted_less == ("system/Goal.crus",)


@pytest.mark.parametrize(
    ("asked", "granted", "missing"),
    [
        (("system/Goal.rs",), "system/Goal.read", ()),
        (("system/Goal.read",), "system/Goal.rs", ()),
        (("system/Goal.crus",), "system/*.cruds", ()),
        (("system/Goal.crus",), "system/*.*", ()),
        (("system/Goal.crus",), "system/Goal.rs system/Goal.write", ()),
        (("system/Goal.crus",), "system/Goal.rs system/Goal.cu", ()),
        (("system/Goal.crus",), "user/Goal.cruds", ("system/Goal.crus",)),
        (("system/Goal.rs",), "system/Goal.rs?category=x", ("system/Goal.rs",)),
        (("system/Goal.rs?category=x",), "system/Goal.rs?category=x", ()),
        (("system/Goal.rs", "launch"), "system/Goal.rs", ("launch",)),
        (("system/Goal.rs",), "", ("system/Goal.rs",)),
        (("system/Goal.rs",), None, ()),
    ],
)
def test_scopes_of_both_versions(asked: tuple[str, ...], granted: str | None, missing: tuple[str, ...]) -> None:
    assert missing_scopes(asked, granted) == missing


CHANGING = replace(SMART, next_key_file="next.pem", next_key_id="k2")


def _signed_by(request: httpx.Request) -> str:
    return jwt.get_unverified_header(_form(request)["client_assertion"])["kid"]


def test_while_keys_are_changed_the_next_is_used_where_the_first_is_no_longer_known() -> None:
    with script() as router, _client(CHANGING) as client:
        login = router.post(TOKEN_URL).mock(
            side_effect=[json({"error": "invalid_client"}, 401), _token(), _token("t-2")]
        )
        asked = router.get(URL).mock(side_effect=[json(GOAL), json({}, 401), json(GOAL)])
        read(client, "Goal/g")
        read(client, "Goal/g")
    # Once known as gone, the first key is not tried again in this run.
    assert [_signed_by(request) for request in sent(login)] == ["k1", "k2", "k2"]
    assert asked.calls.last.request.headers["Authorization"] == "Bearer t-2"


def test_another_refusal_is_not_about_the_key() -> None:
    with script() as router, _client(CHANGING) as client:
        login = router.post(TOKEN_URL).mock(return_value=json({"error": "invalid_scope"}, 400))
        with pytest.raises(LoginRefused, match="compare `scopes`"):
            read(client, "Goal/g")
    assert [_signed_by(request) for request in sent(login)] == ["k1"]


def test_a_write_that_the_scopes_do_not_cover_says_which_are_missing() -> None:
    with script() as router, _client() as client:
        router.post(TOKEN_URL).mock(return_value=_token(scope="system/Patient.rs system/Observation.rs"))
        router.put(URL).mock(return_value=json({}, 403))
        with pytest.raises(Refused, match=r"granted less than asked for: system/Goal\.crus is missing"):
            update(client, GOAL, version="1")
