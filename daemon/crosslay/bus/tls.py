"""TLS to the broker: always verified, version 1.2 at least, and its failures in words that lead to the cause."""

from __future__ import annotations

import socket
import ssl
import time
from typing import Any, Self

from crosslay.bus.credentials import (
    MAX_CERTIFICATE_BYTES,
    TlsFiles,
    read_public_bytes,
    read_secret_bytes,
)
from crosslay.bus.messages import rfc3339
from crosslay.errors import BusError

# OpenSSL's x509_vfy.h: X509_V_ERR_…
_NOT_YET_VALID, _HAS_EXPIRED = 9, 10
_WRONG_NAME = frozenset({62, 64})
_UNKNOWN_AUTHORITY = frozenset({2, 18, 19, 20, 21})
#: Alerts of the peer that speak of our side (RFC 8446, section 6.2), as OpenSSL names them.
_ABOUT_US = (
    ("CERTIFICATE_REQUIRED", "asks for a certificate of this station; set certificate_file and key_file in [bus.tls]"),
    ("CERTIFICATE_EXPIRED", "says that this station's certificate has expired"),
    ("CERTIFICATE_REVOKED", "says that this station's certificate was revoked"),
    ("UNKNOWN_CA", "does not know the authority of this station's certificate"),
    ("CERTIFICATE_UNKNOWN", "does not accept this station's certificate"),
    ("BAD_CERTIFICATE", "does not accept this station's certificate"),
    ("UNSUPPORTED_CERTIFICATE", "does not accept this station's certificate"),
    ("ACCESS_DENIED", "denies this station access"),
    ("DECRYPT_ERROR", "could not verify that this station has the key of its certificate"),
)
_VERSIONS = ("PROTOCOL_VERSION", "UNSUPPORTED_PROTOCOL", "VERSION_TOO_LOW", "NO_PROTOCOLS_AVAILABLE")
_NOT_TLS = ("WRONG_VERSION_NUMBER", "HTTP_REQUEST", "UNKNOWN_PROTOCOL", "RECORD_LAYER_FAILURE",
            "PACKET_LENGTH_TOO_LONG", "UNEXPECTED_MESSAGE", "BAD_RECORD_TYPE", "INVALID_ALERT")


class HandshakeError(BusError):
    """A TLS handshake failed; `reason` is what it failed with, which `handshake_failure` puts into words."""

    def __init__(self, reason: OSError) -> None:
        super().__init__(str(reason))
        self.reason = reason


class VerifiedContext(ssl.SSLContext):
    """A client's context that verifies one name, whatever address is connected to.

    Built by hand and not by `ssl.create_default_context`, which writes session keys to a file that the environment
    names.
    """

    _name: str

    def __new__(cls, name: str) -> Self:
        """A context for a broker called `name`."""
        context = super().__new__(cls, ssl.PROTOCOL_TLS_CLIENT)
        context._name = name
        context.sslsocket_class = _TidySocket
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        return context

    def wrap_socket(self, sock: socket.socket, *_args: Any, **_options: Any) -> ssl.SSLSocket:
        """As `ssl.SSLContext.wrap_socket`, with the name of this context and the handshake left to the caller."""
        return super().wrap_socket(sock, server_hostname=self._name, do_handshake_on_connect=False)


class _TidySocket(ssl.SSLSocket):
    """Closes itself where the handshake fails; paho would leave it to the garbage collector.

    The handshake as a whole takes at most as long as one operation of the socket may.
    """

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001 - the signature of ssl.SSLSocket
        try:
            super().do_handshake(block)
        except OSError as error:
            self.close()
            raise HandshakeError(error) from error


def make_context(files: TlsFiles, host: str) -> VerifiedContext:
    """The context for one connection, from files as they are now.

    Parameters
    ----------
    files
        Authority, and own certificate where there is one.
    host
        Host name or address that is connected to; it must stand in the broker's certificate unless
        `TlsFiles.server_name` names another.

    Raises
    ------
    BusError
        A file cannot be used; the text says which and why.
    """
    context = VerifiedContext(files.server_name or host)
    authorities = read_public_bytes(files.ca_file)
    try:
        context.load_verify_locations(cadata=authorities.decode("ascii"))
    except (ssl.SSLError, ValueError) as error:
        raise BusError(f"{files.ca_file}: holds no certificate in PEM form ({error})") from error
    if files.certificate_file is not None and files.key_file is not None:
        read_public_bytes(files.certificate_file)
        read_secret_bytes(files.key_file, MAX_CERTIFICATE_BYTES)
        _load_own(context, str(files.certificate_file), str(files.key_file.path))
    return context


def _load_own(context: ssl.SSLContext, certificate_file: str, key_file: str) -> None:
    def locked() -> str:
        # Without this, OpenSSL would ask on the terminal and wait.
        raise BusError(f"{key_file}: the key is locked by a passphrase; the station can only use one without")

    try:
        context.load_cert_chain(certificate_file, key_file, password=locked)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise BusError(f"{key_file}: is not the key of {certificate_file}") from error
        text = f"{certificate_file} and {key_file}: are no certificate and key in PEM form"
        raise BusError(f"{text} ({error})") from error
    except OSError as error:
        raise BusError(f"{certificate_file} or {key_file}: cannot be read: {error.strerror or error}") from error


def handshake_failure(error: OSError, files: TlsFiles, host: str) -> str:
    """What an exception of a TLS handshake means, as the end of a sentence about the broker."""
    name = files.server_name or host
    if isinstance(error, ssl.SSLCertVerificationError):
        return _unverified(error, files, name)
    if isinstance(error, TimeoutError):
        return "took the connection but answers nothing to the TLS handshake"
    if isinstance(error, ssl.SSLError):
        return _refusal(f"{error.reason or ''} {error}")
    return f"broke the TLS handshake off ({error}); does it speak TLS on this port?"


def _unverified(error: ssl.SSLCertVerificationError, files: TlsFiles, name: str) -> str:
    clock = f"if it is right, check this computer's clock, which says {rfc3339(time.time())}"
    if error.verify_code == _HAS_EXPIRED:
        return f"shows a certificate that has expired, or its authority has; {clock}"
    if error.verify_code == _NOT_YET_VALID:
        return f"shows a certificate that is not valid yet; {clock}"
    if error.verify_code in _WRONG_NAME:
        return f'shows a certificate for another name than "{name}"; correct bus.host, or set bus.tls.server_name'
    if error.verify_code in _UNKNOWN_AUTHORITY:
        return f"shows a certificate that is not from the authority in {files.ca_file}"
    return f"shows a certificate that does not hold: {error.verify_message}"


def _refusal(text: str) -> str:
    """A failure by the name that OpenSSL gave it."""
    upper = text.upper().replace(" ", "_")
    about_us = _about_us(upper)
    if about_us:
        return about_us
    if any(sign in upper for sign in _VERSIONS):
        return "speaks no TLS that is safe; version 1.2 or newer is needed"
    if any(sign in upper for sign in _NOT_TLS) or "EOF" in upper:
        return f"does not speak TLS on this port, or broke the handshake off ({text.strip()})"
    return f"fails in the TLS handshake ({text.strip()})"


def _about_us(upper: str) -> str:
    return next((meaning for sign, meaning in _ABOUT_US if f"ALERT_{sign}" in upper), "")


def broke_off(logged: str) -> str:
    """Why the broker hung up before its CONNACK, from paho's log, as the end of a sentence about the broker.

    Under TLS 1.3 the client's handshake is over before the broker has looked at its certificate, so the broker's word
    on that comes later; a reset right behind it may take it away.
    """
    upper = logged.upper().replace(" ", "_")
    about_us = _about_us(upper)
    if about_us:
        return about_us
    return ("broke off after the TLS handshake: perhaps it does not accept this station's certificate, or asks for one "
            f"that [bus.tls] does not name ({logged or 'no reason given'})")
