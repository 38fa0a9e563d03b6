"""Secrets and certificates: where they lie, who else may read them, and how they are kept out of everything printed.

A station file names files, never contents. Each connection reads them anew, so that a renewed certificate or password
is taken up without a restart. Nothing here logs, and no text of an error holds what a file held.
"""

from __future__ import annotations

import enum
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from crosslay.errors import BusError

MAX_PASSWORD_BYTES = 4096
#: A bundle of every public authority has about 250 KiB.
MAX_CERTIFICATE_BYTES = 1 << 20


class Secret:
    """A text that shows itself to nobody but `reveal`: not to print, format, a debugger's list, copy or pickle."""

    __slots__ = ("_hidden",)

    def __init__(self, text: str) -> None:
        self._hidden = text

    def reveal(self) -> str:
        """The text. Use the value at once; keep it in no variable."""
        return self._hidden

    def __repr__(self) -> str:
        return "Secret(…)"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not copied or written anywhere")


class Keeping(enum.Enum):
    """Who keeps a secret file from others."""

    MODE = "its own mode and owner"
    SERVICE_MANAGER = "the service manager's private folder"


@dataclass(frozen=True, slots=True, kw_only=True)
class SecretFile:
    """A file that only this station may read."""

    path: Path
    keeping: Keeping = Keeping.MODE


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsFiles:
    """What TLS needs: the authority of the broker's certificate, and this station's own certificate and key if asked.

    `server_name` is the name that the broker's certificate must bear; empty: the host that is connected to.
    """

    ca_file: Path
    certificate_file: Path | None = None
    key_file: SecretFile | None = None
    server_name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """How the broker proves who it is, and how this station does. Names of files only, so it may be printed."""

    tls: TlsFiles | None = None
    username: str = ""
    password: SecretFile | None = None


def secret_file(path: Path, credentials_directory: str | None) -> SecretFile:
    """A secret file at `path`; one in ``$CREDENTIALS_DIRECTORY`` is kept by the service manager."""
    kept = bool(credentials_directory) and path.parent == Path(os.path.normpath(str(credentials_directory)))
    return SecretFile(path=path, keeping=Keeping.SERVICE_MANAGER if kept else Keeping.MODE)


def read_password(file: SecretFile) -> Secret:
    """The password in a file: its text without the line end.

    Raises
    ------
    BusError
        The file cannot be used; the text says why and what would be right, never what the file holds.
    """
    try:
        text = read_secret_bytes(file).decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        # Without the original, which carries the bytes.
        raise BusError(f"{file.path}: is not UTF-8 text, so it is no password") from None
    if not text:
        raise BusError(f"{file.path}: is empty; it must hold the password")
    if "\n" in text or "\r" in text or "\0" in text:
        raise BusError(f"{file.path}: holds more than one line; it must hold the password alone")
    return Secret(text)


def read_secret_bytes(file: SecretFile, limit: int = MAX_PASSWORD_BYTES) -> bytes:
    """Content of a secret file, after a look at who else may have read or changed it.

    Raises
    ------
    BusError
        Others may read or write the file, it is another's, no regular file, too large, or not readable.
    """
    descriptor = _open(file.path)
    try:
        _refuse_exposed(file, os.fstat(descriptor))
        return _read(descriptor, file.path, limit)
    finally:
        os.close(descriptor)


def read_public_bytes(path: Path, limit: int = MAX_CERTIFICATE_BYTES) -> bytes:
    """Content of a certificate file. Everybody may read it; not everybody may change whom the station trusts.

    Raises
    ------
    BusError
        Everybody may write the file, or it is no regular file, too large or not readable.
    """
    descriptor = _open(path)
    try:
        if os.fstat(descriptor).st_mode & stat.S_IWOTH:
            raise BusError(f"{path}: everybody may write it, so it proves nothing; use: chmod o-w {path}")
        return _read(descriptor, path, limit)
    finally:
        os.close(descriptor)


def _open(path: Path) -> int:
    try:
        # O_NONBLOCK: a pipe put in the file's place must not hold the caller.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise BusError(f"{path}: there is no such file") from None
    except PermissionError as error:
        raise BusError(f"{path}: this user (uid {os.geteuid()}) may not read it") from error
    except (OSError, ValueError) as error:
        raise BusError(f"{path}: cannot be opened: {getattr(error, 'strerror', None) or error}") from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise BusError(f"{path}: is no regular file")
    return descriptor


def _refuse_exposed(file: SecretFile, status: os.stat_result) -> None:
    if status.st_uid not in {0, os.geteuid()}:
        raise BusError(f"{file.path}: belongs to another user (uid {status.st_uid}); it must be this user's or root's")
    if file.keeping is Keeping.SERVICE_MANAGER:
        # systemd lets the service's user in by an access list, whose mask shows as the group's bits.
        exposed, wanted = status.st_mode & (stat.S_IRWXO | stat.S_IWGRP), "o= g-w"
    else:
        exposed, wanted = status.st_mode & (stat.S_IRWXO | stat.S_IRWXG), "600"
    if exposed:
        mode = stat.S_IMODE(status.st_mode)
        command = f"chmod {wanted.replace(' ', ',')} {file.path}"
        raise BusError(f"{file.path}: others may read or write it (mode {mode:04o}); use: {command}")


def _read(descriptor: int, path: Path, limit: int) -> bytes:
    try:
        content = bytearray()
        while len(content) <= limit:
            piece = os.read(descriptor, limit + 1 - len(content))
            if not piece:
                return bytes(content)
            content += piece
    except OSError as error:
        raise BusError(f"{path}: cannot be read: {error.strerror or error}") from error
    raise BusError(f"{path}: is larger than {limit} bytes, so it is another file")
