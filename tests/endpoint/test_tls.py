"""Certificates are checked, with a site's own authority where the endpoint file names one."""

import ssl
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from pathlib import Path
from threading import Thread

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from careplan_bridge.endpoint.outcomes import Unreachable
from careplan_bridge.endpoint.read import Stored, read
from careplan_bridge.endpoint.send import update
from careplan_bridge.errors import WrongUse
from careplan_bridge.files.secrets import read_secret
from careplan_bridge.model.endpoint import Endpoint
from tests.endpoint.scripted import Waits, client_of, endpoint

GOAL = b'{"resourceType": "Goal", "id": "g"}'


@dataclass(frozen=True)
class Secured:
    base: str
    ca_file: str
    key: Path
    asked: list[str]


@pytest.fixture
def secured(tmp_path: Path) -> Iterator[Secured]:
    """A server with a certificate that only its own authority, itself, vouches for."""
    with _served(tmp_path, wants_ours=False) as secured:
        yield secured


@pytest.fixture
def selective(tmp_path: Path) -> Iterator[Secured]:
    """The same, and whoever asks must show a certificate of that authority."""
    with _served(tmp_path, wants_ours=True) as secured:
        yield secured


@contextmanager
def _served(tmp_path: Path, *, wants_ours: bool) -> Generator[Secured]:
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.command)
            self.send_response(200)
            self.send_header("Content-Length", str(len(GOAL)))
            self.end_headers()
            self.wfile.write(GOAL)

        do_PUT = do_GET  # noqa: N815 - the name that http.server looks for

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - as it is called
            pass

    certificate, key = _certificate(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    if wants_ours:
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(certificate)
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield Secured(f"https://127.0.0.1:{server.server_port}/fhir", str(certificate), key, asked)
    server.shutdown()
    thread.join()
    server.server_close()


def _certificate(folder: Path) -> tuple[Path, Path]:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "alder-quay.example.org")])
    # The wall clock of the tests stands still for Python, not for OpenSSL.
    now = datetime(2000, 1, 1, tzinfo=UTC)
    certificate = (
        x509.CertificateBuilder(
            name, name, key.public_key(), x509.random_serial_number(), now, now + timedelta(days=36_500)
        )
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    paths = folder / "certificate.pem", folder / "key.pem"
    paths[0].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    pem, plain = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    paths[1].write_bytes(key.private_bytes(pem, plain, serialization.NoEncryption()))
    return paths


def test_a_certificate_nobody_vouches_for_ends_it_at_once_with_nothing_sent(secured: Secured) -> None:
    waits = Waits()
    with client_of(endpoint(secured.base), waits) as client:
        with pytest.raises(Unreachable, match="ca_file"):
            read(client, "Goal/g")
        with pytest.raises(Unreachable, match="ca_file"):
            update(client, {"resourceType": "Goal", "id": "g"}, version="1")
    assert (secured.asked, waits) == ([], [])


def test_the_authority_named_by_the_site_is_trusted(secured: Secured) -> None:
    with client_of(endpoint(secured.base, ca_file=secured.ca_file)) as client:
        assert isinstance(read(client, "Goal/g"), Stored)
    assert secured.asked == ["GET"]


@pytest.mark.parametrize("content", [None, "not a certificate"])
def test_an_authority_that_cannot_be_read_is_a_fault_of_the_configuration(tmp_path: Path, content: str | None) -> None:
    ca_file = tmp_path / "ca.pem"
    if content:
        ca_file.write_text(content)
    with pytest.raises(WrongUse, match="ca_file"):
        client_of(endpoint(ca_file=str(ca_file)))


def ours(secured: Secured, **changed: str) -> Endpoint:
    shown = {"ca_file": secured.ca_file, "client_certificate": secured.ca_file, "client_key": str(secured.key)}
    return endpoint(secured.base, **(shown | changed))


def test_a_server_that_wants_to_know_the_machine_is_shown_its_certificate(selective: Secured) -> None:
    selective.key.chmod(0o600)
    with client_of(ours(selective), secret=read_secret) as client:
        assert isinstance(read(client, "Goal/g"), Stored)


def test_without_a_certificate_of_ours_such_a_server_does_not_answer(selective: Secured) -> None:
    with client_of(endpoint(selective.base, ca_file=selective.ca_file)) as client, pytest.raises(Unreachable):
        read(client, "Goal/g")
    assert selective.asked == []


def test_a_key_others_can_read_is_refused(secured: Secured) -> None:
    secured.key.chmod(0o644)
    with pytest.raises(WrongUse, match="chmod 600"):
        client_of(ours(secured), secret=read_secret)


def test_a_certificate_with_another_key_is_a_fault_of_the_configuration(secured: Secured, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    _, key = _certificate(tmp_path / "other")
    key.chmod(0o600)
    with pytest.raises(WrongUse, match="no pair"):
        client_of(ours(secured, client_key=str(key)), secret=read_secret)
