"""The link under TLS: against a real mosquitto, and against listeners that are none."""

from __future__ import annotations

import contextlib
import pickle
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import trustme

from crosslay.bus.credentials import Access, Keeping, Secret, SecretFile, TlsFiles, read_password
from crosslay.bus.link import Address, Link, Outbound
from crosslay.bus.resolve import Resolver
from crosslay.errors import BusError
from crosslay.testing.broker import RunningBroker
from tls_cases import EXPIRED, FUTURE, PASSWORD, USER, WRONG_PASSWORD, TlsFolder, write_secret

pytestmark = pytest.mark.broker

StartBroker = Callable[..., RunningBroker]


@pytest.fixture
def files(tmp_path: Path) -> TlsFolder:
    return TlsFolder(tmp_path / "tls")


def access(files: TlsFolder, *, user: bool = False, own: bool = False, **more: object) -> Access:
    tls = {"ca_file": files.ca_file, **more}
    if own:
        files.issue("op30", name="station")
        key = SecretFile(path=files.folder / "station.key")
        tls |= {"certificate_file": files.folder / "station.pem", "key_file": key}
    password = SecretFile(path=files.write_password()) if user else None
    return Access(tls=TlsFiles(**tls), username=USER if user else "", password=password)


def link_to(
    port: int, access: Access, *, host: str = "127.0.0.1", protocol: str = "5", **more: object
) -> Link:
    address = Address(host=host, port=port, protocol=protocol, keepalive_s=10, client_id="tls", access=access)
    return Link(address, will=Outbound(topic="t", payload=b""), **more)


def refusal(port: int, access: Access, **more: object) -> str:
    link = link_to(port, access, **more)
    try:
        with pytest.raises(BusError) as caught:
            link.connect()
    finally:
        link.close()
    assert PASSWORD not in f"{caught.value!r} {caught.value}"
    return str(caught.value)


def connects(port: int, access: Access, **more: object) -> None:
    link = link_to(port, access, **more)
    try:
        link.connect()
        link.publish(Outbound(topic="t", payload=b"x"))
        deadline = time.monotonic() + 5
        while not link.acknowledged and time.monotonic() < deadline:
            link.step(0.1, None)
        assert link.acknowledged
    finally:
        link.close()


class TestVerified:
    @pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
    def test_a_broker_with_the_right_certificate(self, files: TlsFolder, start_broker: StartBroker, host: str) -> None:
        connects(start_broker(files.listener()).port, access(files), host=host)

    def test_its_name_may_be_another_than_that_connected_to(self, files: TlsFolder, start_broker: StartBroker) -> None:
        files.issue("broker.plant.example")
        broker = start_broker(files.listener())
        assert 'another name than "127.0.0.1"' in refusal(broker.port, access(files))
        connects(broker.port, access(files, server_name="broker.plant.example"))
        text = refusal(broker.port, access(files, server_name="other.plant.example"))
        assert 'another name than "other.plant.example"' in text

    def test_both_sides_prove_who_they_are(self, files: TlsFolder, start_broker: StartBroker) -> None:
        broker = start_broker(files.listener(mutual=True))
        connects(broker.port, access(files, own=True))
        text = refusal(broker.port, access(files))
        assert "asks for a certificate of this station" in text or "broke off after the TLS handshake" in text

    def test_an_authority_that_the_broker_does_not_know(self, files: TlsFolder, start_broker: StartBroker) -> None:
        broker = start_broker(files.listener(mutual=True))
        ours = access(files, own=True)
        files.issue("op30", name="station", authority=trustme.CA())
        # TLS 1.3 tells the client after the handshake, and its word may be lost when the broker hangs up at once.
        lost = "broke off after the TLS handshake: perhaps it does not accept this station's certificate"
        text = refusal(broker.port, ours)
        assert "authority of this station's certificate" in text or lost in text
        files.issue("op30", name="station", validity=EXPIRED)
        text = refusal(broker.port, ours)
        assert "this station's certificate has expired" in text or lost in text
        files.issue("op30", name="station")
        connects(broker.port, ours)

    def test_a_user_and_the_password(self, files: TlsFolder, start_broker: StartBroker) -> None:
        broker = start_broker(files.listener(users=True))
        ours = access(files, user=True)
        connects(broker.port, ours)
        files.write_password(WRONG_PASSWORD)
        assert "refused the connection" in refusal(broker.port, ours)
        files.write_password(PASSWORD)
        connects(broker.port, ours)
        assert "refused the connection" in refusal(broker.port, access(files))


    def test_with_the_old_protocol_as_well(self, files: TlsFolder, start_broker: StartBroker) -> None:
        broker = start_broker(files.listener(users=True))
        ours = access(files, user=True)
        connects(broker.port, ours, protocol="3.1.1")
        files.write_password(WRONG_PASSWORD)
        assert "refused the connection" in refusal(broker.port, ours, protocol="3.1.1")
        files.issue("elsewhere.example")
        broker.restart()
        assert "another name" in refusal(broker.port, ours, protocol="3.1.1")


class TestRefused:
    @pytest.mark.parametrize(
        ("change", "text"),
        [
            (lambda files: files.issue(authority=trustme.CA()), "not from the authority in"),
            (lambda files: files.issue(validity=EXPIRED), "has expired"),
            (lambda files: files.issue(validity=FUTURE), "not valid yet; if it is right, check this computer's clock"),
            (lambda files: files.issue("elsewhere.example"), "another name"),
        ],
        ids=["wrong authority", "expired", "not yet valid", "wrong name"],
    )
    def test_and_with_the_right_certificate_it_connects(
        self, files: TlsFolder, start_broker: StartBroker, change: Callable[[TlsFolder], None], text: str
    ) -> None:
        change(files)
        broker = start_broker(files.listener(users=True))
        assert text in refusal(broker.port, access(files, user=True))
        files.issue()
        broker.restart()
        connects(broker.port, access(files, user=True))

    def test_a_plaintext_port(self, files: TlsFolder, start_broker: StartBroker) -> None:
        broker = start_broker("log_type all")
        assert "TLS" in refusal(broker.port, access(files, user=True))
        assert USER not in broker.log_text()

    def test_tls_below_1_2(self, files: TlsFolder) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.warns(DeprecationWarning, match="TLSv1"):
            context.minimum_version = ssl.TLSVersion.TLSv1
        with pytest.warns(DeprecationWarning, match="TLSv1"):
            context.maximum_version = ssl.TLSVersion.TLSv1_1
        context.load_cert_chain(files.folder / "broker.pem", files.folder / "broker.key")
        with listener(under_tls(context)) as rogue:
            assert "version 1.2 or newer is needed" in refusal(rogue.port, access(files, user=True))

    def test_a_listener_that_says_nothing(self, files: TlsFolder, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("crosslay.bus.link._CONNECT_TIMEOUT_S", 0.5)
        def listen(connection: socket.socket) -> None:
            while connection.recv(4096):
                pass

        with listener(listen) as rogue:
            started = time.monotonic()
            assert "answers nothing to the TLS handshake" in refusal(rogue.port, access(files))
            assert time.monotonic() - started < 2.0

    def test_a_listener_that_sends_a_byte_now_and_then(self, files: TlsFolder, monkeypatch: pytest.MonkeyPatch) -> None:
        """The limit is for the whole handshake, not for each byte of it."""
        monkeypatch.setattr("crosslay.bus.link._CONNECT_TIMEOUT_S", 0.6)

        def drip(connection: socket.socket) -> None:
            with contextlib.suppress(OSError):
                for byte in b"\x16\x03\x03\x40\x00" + bytes(40):
                    connection.sendall(bytes([byte]))
                    time.sleep(0.1)

        with listener(drip) as rogue:
            started = time.monotonic()
            assert "answers nothing to the TLS handshake" in refusal(rogue.port, access(files))
            assert time.monotonic() - started < 2.0

    def test_a_listener_that_hangs_up(self, files: TlsFolder) -> None:
        with listener(lambda connection: None) as rogue:
            assert "broke the" in refusal(rogue.port, access(files))

    def test_a_listener_that_speaks_something_else(self, files: TlsFolder) -> None:
        with listener(lambda connection: connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")) as rogue:
            assert "does not speak TLS on this port" in refusal(rogue.port, access(files))

    @pytest.mark.parametrize("tls", [False, True])
    def test_no_listener_at_all(self, files: TlsFolder, tls: bool) -> None:
        with socket.socket() as unused:
            unused.bind(("127.0.0.1", 0))
            text = refusal(unused.getsockname()[1], access(files) if tls else Access())
        assert "does not answer" in text


class TestCredentialsAreNotSentBeforeVerification:
    def test_an_impostor_with_another_authority_gets_nothing(self, files: TlsFolder) -> None:
        impostor = TlsFolder(files.folder / "impostor")
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(impostor.folder / "broker.pem", impostor.folder / "broker.key")
        with listener(under_tls(context)) as rogue:
            assert "not from the authority" in refusal(rogue.port, access(files, user=True))
        assert rogue.heard == b"", "nothing inside TLS"

    def test_a_plaintext_listener_gets_a_client_hello_and_no_more(self, files: TlsFolder) -> None:
        def listen(connection: socket.socket) -> bytes:
            heard = connection.recv(65_536)
            connection.sendall(b"\x20\x03\x00\x00\x00")  # a CONNACK of MQTT 5, as if a CONNECT had come
            with contextlib.suppress(OSError):
                connection.settimeout(0.5)
                heard += connection.recv(65_536)
            return heard

        with listener(listen) as rogue:
            assert "TLS" in refusal(rogue.port, access(files, user=True))
        assert rogue.heard.startswith(b"\x16\x03"), "a TLS handshake record (RFC 8446, section 5.1)"
        for word in (USER, PASSWORD, "MQTT"):
            assert word.encode() not in rogue.heard

    def test_the_same_listener_with_the_right_certificate_gets_them(self, files: TlsFolder) -> None:
        """So the two tests above can fail."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(files.folder / "broker.pem", files.folder / "broker.key")
        with listener(under_tls(context)) as rogue:
            refusal(rogue.port, access(files, user=True))
        for word in (USER, PASSWORD, "MQTT"):
            assert word.encode() in rogue.heard


class TestFiles:
    @pytest.fixture
    def broker(self, files: TlsFolder, start_broker: StartBroker) -> RunningBroker:
        return start_broker(files.listener(users=True))

    @pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o602, 0o777])
    def test_a_password_that_others_can_read(self, files: TlsFolder, mode: int) -> None:
        path = files.write_password()
        path.chmod(mode)
        with pytest.raises(BusError, match=f"mode {mode:04o}.*chmod 600 {path}"):
            read_password(SecretFile(path=path))

    @pytest.mark.parametrize(("mode", "accepted"), [(0o400, True), (0o440, True), (0o444, False), (0o420, False)])
    def test_one_of_the_service_manager(self, files: TlsFolder, mode: int, accepted: bool) -> None:
        """systemd 250 and newer: owner root, mode 0440 where an access list lets the service's user in."""
        path = files.write_password()
        path.chmod(mode)
        file = SecretFile(path=path, keeping=Keeping.SERVICE_MANAGER)
        if accepted:
            assert read_password(file).reveal() == PASSWORD
        else:
            with pytest.raises(BusError, match="others may read or write"):
                read_password(file)

    @pytest.mark.parametrize(
        ("content", "text"),
        [(b"", "is empty"), (b"\n", "is empty"), (b"a\nb\n", "more than one line"), (b"\xff\xfe", "UTF-8"),
         (b"a\0b", "more than one line"), (b"x" * 5000, "larger than 4096 bytes")],
    )
    def test_what_is_no_password(self, tmp_path: Path, content: bytes, text: str) -> None:
        path = write_secret(tmp_path / "password", content)
        with pytest.raises(BusError, match=text) as caught:
            read_password(SecretFile(path=path))
        assert caught.value.__cause__ is None, "the original would carry the bytes"

    @pytest.mark.parametrize(
        ("content", "password"),
        [(b"a", "a"), (b"a\n", "a"), (b"a\r\n", "a"), (b" a b \n", " a b "), ("päß".encode(), "päß")],
    )
    def test_a_password_is_the_line_and_nothing_else(self, tmp_path: Path, content: bytes, password: str) -> None:
        assert read_password(SecretFile(path=write_secret(tmp_path / "p", content))).reveal() == password

    def test_a_password_of_another_user(self, files: TlsFolder, monkeypatch: pytest.MonkeyPatch) -> None:
        path = files.write_password()
        monkeypatch.setattr("crosslay.bus.credentials.os.geteuid", lambda: 4242)
        import os

        os.chown(path, 4243, -1)
        with pytest.raises(BusError, match="belongs to another user"):
            read_password(SecretFile(path=path))

    def test_what_is_no_file(self, tmp_path: Path) -> None:
        import os

        os.mkfifo(tmp_path / "pipe", 0o600)
        (tmp_path / "folder").mkdir(0o700)
        for name, text in (("pipe", "no regular file"), ("folder", "no regular file"), ("none", "no such file")):
            with pytest.raises(BusError, match=text):
                read_password(SecretFile(path=tmp_path / name))

    def test_what_is_no_authority(self, files: TlsFolder, broker: RunningBroker) -> None:
        for content in (b"", b"nonsense", b"\xff", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"):
            files.ca_file.write_bytes(content)
            assert "holds no certificate in PEM form" in refusal(broker.port, access(files))
        files.ca_file.unlink()
        assert "there is no such file" in refusal(broker.port, access(files))

    def test_an_authority_that_everybody_may_change(self, files: TlsFolder, broker: RunningBroker) -> None:
        files.ca_file.chmod(0o666)
        assert f"chmod o-w {files.ca_file}" in refusal(broker.port, access(files))

    def test_what_is_no_certificate_or_no_key_of_it(self, files: TlsFolder, broker: RunningBroker) -> None:
        ours = access(files, own=True)
        key = files.folder / "station.key"
        write_secret(key, (files.folder / "broker.key").read_bytes())
        assert "is not the key of" in refusal(broker.port, ours)
        write_secret(key, b"nonsense")
        assert "no certificate and key in PEM form" in refusal(broker.port, ours)
        key.chmod(0o644)
        assert "others may read or write" in refusal(broker.port, ours)

    def test_a_locked_key_is_said_and_never_asked_for(self, files: TlsFolder, broker: RunningBroker) -> None:
        from cryptography.hazmat.primitives import serialization as to

        ours = access(files, own=True)
        path = files.folder / "station.key"
        key = to.load_pem_private_key(path.read_bytes(), None)
        locked = key.private_bytes(to.Encoding.PEM, to.PrivateFormat.PKCS8, to.BestAvailableEncryption(b"word"))
        write_secret(path, locked)
        assert "locked by a passphrase" in refusal(broker.port, ours)

    def test_no_key_log_is_written(
        self, files: TlsFolder, broker: RunningBroker, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        """An environment that asks the TLS library for its session keys does not get them."""
        monkeypatch.setenv("SSLKEYLOGFILE", str(tmp_path / "keys"))
        connects(broker.port, access(files, user=True))
        assert not (tmp_path / "keys").exists()


class TestSecret:
    def test_it_shows_itself_to_nobody(self) -> None:
        secret = Secret(PASSWORD)
        for text in (repr(secret), str(secret), f"{secret}", f"{secret!r}", f"{[secret]}", repr({"a": secret})):
            assert PASSWORD not in text
        assert secret.reveal() == PASSWORD
        with pytest.raises(TypeError):
            pickle.dumps(secret)
        assert not hasattr(secret, "__dict__")


class TestNames:
    def test_a_name_service_that_hangs_holds_nothing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        released, asked = threading.Event(), []

        def hang(host: str, *_rest: object, **_more: object) -> list[object]:
            asked.append(host)
            released.wait(10)
            return [(None, None, None, "", ("127.0.0.9", 1))]

        monkeypatch.setattr("crosslay.bus.resolve.socket.getaddrinfo", hang)
        monkeypatch.setattr("crosslay.bus.resolve._PATIENCE_S", 0.3)
        resolver, beats = Resolver(), []
        for _ in range(3):
            with pytest.raises(BusError, match="name service says nothing"):
                resolver.addresses("broker.example", 1, lambda: beats.append(0))
        assert asked == ["broker.example"], "one look-up at a time, however often is tried"
        assert len(beats) >= 3
        released.set()
        assert resolver.addresses("broker.example", 1, lambda: None) == ["127.0.0.9"]

    @pytest.mark.parametrize("host", ["no-such-name.invalid", "a" * 64 + ".example", "a..b"])
    def test_a_name_that_leads_nowhere(self, host: str) -> None:
        with pytest.raises(BusError, match="leads to no address"):
            Resolver().addresses(host, 1, lambda: None)

    @pytest.mark.parametrize(("host", "address"), [("127.0.0.1", "127.0.0.1"), ("[::1]", "::1"), ("::1", "::1")])
    def test_an_address_is_asked_of_nobody(self, host: str, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("crosslay.bus.resolve.socket.getaddrinfo", None)
        assert Resolver().addresses(host, 1, lambda: None) == [address]

    def test_of_several_addresses_the_first_that_answers(
        self, files: TlsFolder, start_broker: StartBroker, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        files.issue("broker.example")
        broker = start_broker(files.listener())
        monkeypatch.setattr(Resolver, "addresses", lambda *_arguments: ["127.0.0.7", "127.0.0.1"])
        connects(broker.port, access(files), host="broker.example")


class Rogue:
    """What listened, and what it heard."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.heard = b""


@contextlib.contextmanager
def listener(serve: Callable[[socket.socket], bytes | None]) -> Iterator[Rogue]:
    """A listener that gives its one connection to `serve`."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(1)
        listening.settimeout(10)
        rogue = Rogue(listening.getsockname()[1])

        def run() -> None:
            connection, _ = listening.accept()
            with connection:
                rogue.heard += serve(connection) or b""

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield rogue
        finally:
            thread.join(15)


def under_tls(context: ssl.SSLContext) -> Callable[[socket.socket], bytes]:
    """A server of TLS that notes what comes inside it."""

    def serve(connection: socket.socket) -> bytes:
        connection.settimeout(1)
        heard = b""
        with contextlib.suppress(OSError), context.wrap_socket(connection, server_side=True) as inside:
            while piece := inside.recv(4096):
                heard += piece
                inside.sendall(b"\x20\x03\x00\x87\x00")  # CONNACK: not authorized
        return heard

    return serve
