"""``main.xml`` of X3P, read as a stream: leaf texts by their path, and the listed points."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from crosslay.errors import TraceFileError
from crosslay_adapters.tracefiles.common import fail, quote

#: Namespace of the schema, kept by ISO 25178-72 (seen in files of independent writers).
NAMESPACE: Final = "http://www.opengps.eu/2008/ISO5436_2"
ROOT: Final = "ISO5436_2"
_DATUM: Final = "Record3/DataList/Datum"
#: Records in which nothing may be said twice; those of vendors are not ours to judge.
_UNIQUE: Final = ("Record1/", "Record3/", "Record4/")
_MAX_DEPTH: Final = 32
_MAX_ELEMENTS: Final = 4000
_MAX_TEXT: Final = 1 << 20
_MAX_DATUM: Final = 400


@dataclass(slots=True)
class Document:
    """What ``main.xml`` says.

    Attributes
    ----------
    name
        The file's name for error texts.
    texts
        Text of each leaf element by its path below the root, such as ``Record1/Axes/CX/AxisType``.
    lines
        Line of each of them in ``main.xml``.
    """

    name: str
    texts: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def get(self, path: str) -> str:
        """Text of a leaf, without outer blanks; empty where it is not there."""
        return self.texts.get(path, "").strip()

    def need(self, path: str) -> str:
        """Text of a leaf. Raises `TraceFileError` where it is missing or empty."""
        text = self.get(path)
        if not text:
            raise fail(self.name, self.lines.get(path, 1), f"main.xml has no {path}")
        return text

    def wrong(self, path: str, text: str) -> TraceFileError:
        """Error about a leaf, at its line."""
        return fail(self.name, self.lines.get(path, 1), f"main.xml: {path} {text}")


class DocumentReader:
    """Parses ``main.xml`` from chunks.

    Document types are refused before anything of them is read, so there are no entities to expand or to fetch.

    Parameters
    ----------
    name
        The file's name for error texts.
    take_datum
        Called with the text and line of each listed point, in their order; not called before the end of ``Record1``.
    """

    def __init__(self, name: str, take_datum: Callable[[Document, str, int], None]) -> None:
        self.document = Document(name)
        self._take_datum = take_datum
        self._path: list[str] = []
        self._text: list[str] = []
        self._text_size = 0
        self._is_leaf = False
        self._elements = 0
        self._parser = expat.ParserCreate(namespace_separator=" ")
        self._parser.buffer_text = True
        self._parser.StartDoctypeDeclHandler = self._refuse_document_type
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._characters

    def parse(self, chunks: Iterable[bytes]) -> Document:
        """Parse all chunks.

        Raises
        ------
        TraceFileError
            Not well-formed, not the XML of this format, with a document type, or unreasonably large.
        """
        try:
            for chunk in chunks:
                self._parser.Parse(chunk, False)
            self._parser.Parse(b"", True)
        except expat.ExpatError as error:
            reason = expat.ErrorString(error.code)
            raise fail(self.document.name, error.lineno, f"main.xml is not well-formed XML: {reason}") from error
        except (LookupError, ValueError) as error:  # an encoding that Python does not know
            raise fail(self.document.name, 1, f"main.xml cannot be decoded: {error}") from error
        finally:
            self._release()
        return self.document

    def _release(self) -> None:
        """Cut the ring of parser and handlers, which would live until the next garbage collection."""
        self._parser.StartDoctypeDeclHandler = None
        self._parser.StartElementHandler = None
        self._parser.EndElementHandler = None
        self._parser.CharacterDataHandler = None

    def _fail(self, text: str) -> TraceFileError:
        return fail(self.document.name, self._parser.CurrentLineNumber, f"main.xml {text}")

    def _refuse_document_type(self, *_: object) -> None:
        raise self._fail("has a document type (DOCTYPE), which may hide entities; X3P has none")

    def _start(self, tag: str, _attributes: dict[str, str]) -> None:
        space, _, local = tag.rpartition(" ")
        if not self._path and (local != ROOT or space != NAMESPACE):
            raise self._fail(f"begins with the element {quote(local)}; X3P begins with {ROOT} of the namespace "
                             f"{NAMESPACE}")
        self._path.append(local)
        if len(self._path) > _MAX_DEPTH:
            raise self._fail(f"nests its elements more than {_MAX_DEPTH} deep")
        self._text, self._text_size, self._is_leaf = [], 0, True

    def _characters(self, text: str) -> None:
        self._text_size += len(text)
        if self._text_size > _MAX_TEXT:
            raise self._fail(f"has an element of more than {_MAX_TEXT:,} characters")
        self._text.append(text)

    def _end(self, _tag: str) -> None:
        path = "/".join(self._path[1:])
        self._path.pop()
        if not self._is_leaf:
            return
        self._is_leaf = False
        line = self._parser.CurrentLineNumber
        if path == _DATUM:
            if self._text_size > _MAX_DATUM:
                raise self._fail(f"has a point of {self._text_size} characters")
            self._take_datum(self.document, "".join(self._text), line)
            return
        self._elements += 1
        if self._elements > _MAX_ELEMENTS:
            raise self._fail(f"has more than {_MAX_ELEMENTS} elements beside its points")
        if path in self.document.texts:
            if path.startswith(_UNIQUE):
                raise self._fail(f"has {path} twice")
            return
        self.document.texts[path] = "".join(self._text)
        self.document.lines[path] = line
