"""The zip container of X3P (ISO 25178-72): its parts, read with care and never unpacked to disk."""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Iterator
from types import TracebackType
from typing import Final, Self

from crosslay_adapters.tracefiles.common import fail, quote

#: Everything that a file may unpack to, bytes: 4 million points as XML text need no more.
MAX_UNPACKED_BYTES: Final = 192 * 1024 * 1024
_MAX_ENTRIES: Final = 1000
_CHUNK_BYTES: Final = 256 * 1024
_ENCRYPTED: Final = 0x1
#: What zipfile and zlib raise over a damaged archive.
_DAMAGE: Final = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError)


class Container:
    """An opened X3P container; a context manager.

    Parameters
    ----------
    data
        The file's bytes.
    name
        The file's name for error texts.

    Raises
    ------
    TraceFileError
        Not a zip archive, damaged, encrypted, or unpacking to more than it may.
    """

    def __init__(self, data: bytes, name: str) -> None:
        self._name = name
        self._unpacked = 0
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
        except _DAMAGE as error:
            raise fail(name, 1, f"this is no X3P file, or it is cut: no zip archive can be read ({error})") from error
        self._entries = self._checked_entries()

    def _checked_entries(self) -> dict[str, zipfile.ZipInfo]:
        infos = self._zip.infolist()
        if len(infos) > _MAX_ENTRIES:
            raise fail(self._name, 1, f"the archive has {len(infos)} entries; a profile needs four")
        declared = sum(info.file_size for info in infos)
        if declared > MAX_UNPACKED_BYTES:
            raise self._too_much(f"says that it unpacks to {declared:,} bytes")
        entries: dict[str, zipfile.ZipInfo] = {}
        for info in infos:
            if info.filename in entries:
                raise fail(self._name, 1, f"the archive has two entries {quote(info.filename)}")
            if info.flag_bits & _ENCRYPTED:
                raise fail(self._name, 1, f"the entry {quote(info.filename)} is encrypted")
            entries[info.filename] = info
        return entries

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()

    def chunks(self, entry: str, why: str) -> Iterator[bytes]:
        """Unpack one entry piece by piece; its declared size is not trusted.

        Raises
        ------
        TraceFileError
            There is no such entry (`why` says who asks for it), it is damaged, or it is too large.
        """
        info = self._entries.get(entry)
        if info is None:
            raise fail(self._name, 1, f"the archive has no entry {quote(entry)}, which {why}")
        try:
            with self._zip.open(info) as stream:
                while chunk := stream.read(_CHUNK_BYTES):
                    self._unpacked += len(chunk)
                    if self._unpacked > MAX_UNPACKED_BYTES:
                        raise self._too_much("unpacks to more than it says")
                    yield chunk
        except _DAMAGE as error:
            raise fail(self._name, 1, f"the entry {quote(entry)} is damaged: {error}") from error

    def read(self, entry: str, why: str) -> bytes:
        """Unpack one entry as a whole. Raises as `chunks` does."""
        return b"".join(self.chunks(entry, why))

    def _too_much(self, what: str) -> Exception:
        return fail(self._name, 1, f"the archive {what}; at most {MAX_UNPACKED_BYTES // 2**20} MiB are unpacked")


def md5_hex(data: bytes) -> str:
    """Checksum of the standard: it guards against damage, not against an attacker."""
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


def new_md5() -> hashlib._Hash:
    """Start such a checksum, to be fed piece by piece."""
    return hashlib.md5(usedforsecurity=False)


def is_safe_link(link: str) -> bool:
    """Whether a link inside the file names an entry beside it, and no path that leads elsewhere."""
    parts = link.split("/")
    return bool(link) and "\\" not in link and ":" not in link and not {"", ".", ".."} & set(parts)


def packed(parts: dict[str, bytes]) -> bytes:
    """Pack entries into a container; the same entries give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, data in parts.items():
            info = zipfile.ZipInfo(entry)  # with the earliest date that zip knows
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            archive.writestr(info, data)
    return buffer.getvalue()
