"""Throw-away authorities and certificates, and the lines that make a mosquitto of them."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import os
import ssl
from dataclasses import dataclass
from pathlib import Path

import trustme

USER, PASSWORD = "op30", "canary-3f9c1a7e-never-to-be-seen"
WRONG_PASSWORD = "another-canary-77d1"


@dataclass(frozen=True)
class Validity:
    """From when to when a certificate is valid; None: as usual."""

    begin: dt.datetime | None = None
    end: dt.datetime | None = None


_NOW = dt.datetime.now(dt.UTC)
EXPIRED = Validity(_NOW - dt.timedelta(days=20), _NOW - dt.timedelta(days=10))
FUTURE = Validity(_NOW + dt.timedelta(days=10), _NOW + dt.timedelta(days=20))
USUAL = Validity()


class TlsFolder:
    """One folder with an authority, a broker's certificate and a station's, as files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.authority = trustme.CA()
        self.ca_file = folder / "ca.pem"
        self.authority.cert_pem.write_to_path(str(self.ca_file))
        self.issue()

    def issue(
        self, *names: str, validity: Validity = USUAL, authority: trustme.CA | None = None, name: str = "broker"
    ) -> None:
        """Write (or replace) a certificate and its key: ``NAME.pem`` and ``NAME.key``, the key for the owner only."""
        issued = (authority or self.authority).issue_cert(
            *(names or ("127.0.0.1", "localhost")), not_before=validity.begin, not_after=validity.end
        )
        chain = b"".join(blob.bytes() for blob in issued.cert_chain_pems)
        (self.folder / f"{name}.pem").write_bytes(chain)
        write_secret(self.folder / f"{name}.key", issued.private_key_pem.bytes())

    def write_password(self, password: str = PASSWORD, name: str = "password") -> Path:
        """A credential file as an administrator makes one."""
        return write_secret(self.folder / name, password.encode() + b"\n")

    def listener(self, *, mutual: bool = False, users: bool = False, more: str = "") -> str:
        """Lines for a mosquitto that speaks TLS alone."""
        lines = [f"cafile {self.ca_file}", f"certfile {self.folder}/broker.pem", f"keyfile {self.folder}/broker.key"]
        if mutual:
            lines.append("require_certificate true")
        if users:
            lines += ["allow_anonymous false", f"password_file {self._user_file()}"]
        return "\n".join([*lines, more])

    def station_lines(self, *, mutual: bool = False, users: bool = False, **more: str) -> str:
        """The end of ``[bus]`` and the whole of ``[bus.tls]`` for a station file."""
        lines = [f'username = "{USER}"', f'password_file = "{self.write_password()}"'] if users else []
        lines += ["[bus.tls]", f'ca_file = "{more.pop("ca_file", self.ca_file)}"']
        if mutual:
            self.issue("op30", name="station")
            lines += [f'certificate_file = "{self.folder}/station.pem"', f'key_file = "{self.folder}/station.key"']
        return "\n".join([*lines, *(f'{key} = "{value}"' for key, value in more.items())])

    def client_context(self) -> ssl.SSLContext:
        """For the tests' own clients."""
        context = ssl.create_default_context(cafile=str(self.ca_file))
        context.check_hostname = False  # some brokers here have another name on purpose
        return context

    def _user_file(self) -> Path:
        path = self.folder / "users"
        if not path.exists():
            write_users(path, {USER: PASSWORD})
        return path


def write_secret(path: Path, content: bytes) -> Path:
    """A file for its owner alone."""
    path.unlink(missing_ok=True)
    path.touch(mode=0o600)
    path.write_bytes(content)
    return path


def write_users(path: Path, users: dict[str, str]) -> None:
    """mosquitto's password file: user names and salted hashes, as its own tool writes them (PBKDF2, SHA-512)."""
    lines = []
    for name, password in users.items():
        salt = os.urandom(12)
        digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
        lines.append(f"{name}:$7$101${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}\n")
    write_secret(path, "".join(lines).encode())
