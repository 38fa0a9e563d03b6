"""X3P traces: the XML container of ISO 25178-72 (before: ISO 5436-2), profiles (``PRF``) only.

The unit of the format is the metre, and a height that is divided by a million and multiplied by it again is not always
the same float. So the writer lists the points as text in ``main.xml``, which the standard offers beside the binary
matrix: the height as printed in full in µm with its decimal point moved by six places, ``0.4123e-6``. Other readers see
metres, rounded once; this reader moves the decimal point back before it converts, and gets the same bits.

What the standard's text would say was at hand partly *from memory*; the tests read the files with an independent
library and read those that it writes.
"""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from typing import ClassVar, Final
from xml.sax.saxutils import escape

from crosslay.errors import TraceError
from crosslay.texture.trace import Trace
from crosslay_adapters.tracefiles import common
from crosslay_adapters.tracefiles.common import fail, quote
from crosslay_adapters.tracefiles.x3p_container import Container, is_safe_link, md5_hex, new_md5, packed
from crosslay_adapters.tracefiles.x3p_document import NAMESPACE, ROOT, Document, DocumentReader
from crosslay_adapters.tracefiles.x3p_points import ListedPoints, Points, matrix, matrix_points, read_axes

_MAIN: Final = "main.xml"
_CHECKSUM_FILE: Final = "md5checksum.hex"
_REVISION: Final = "ISO25178-72:2017/DAM1"
#: First line of the comment of a file that crosslay wrote; the facts follow, one a line.
_FACTS_HEADING: Final = "crosslay facts"
#: Leaves of Record2 that become facts of files from elsewhere.
_RECORD2: Final = {
    "Date": "date", "Creator": "creator", "Instrument/Manufacturer": "instrument_manufacturer",
    "Instrument/Model": "instrument_model", "Instrument/Serial": "instrument_serial",
    "Instrument/Version": "instrument_version", "CalibrationDate": "calibration_date",
    "ProbingSystem/Type": "probing_type", "ProbingSystem/Identification": "probing_system",
}


class X3pFormat:
    """Reader and writer of X3P profiles."""

    extensions: ClassVar[tuple[str, ...]] = (".x3p",)

    def read(self, data: bytes, name: str, *, spacing_um: float | None = None) -> Trace:
        """Parse a whole file.

        Parameters
        ----------
        data
            The file's bytes.
        name
            The file's name for error texts; their line is that of ``main.xml`` inside, 1 for the archive as such.
        spacing_um
            Not used: an X3P profile always gives its spacing or its positions.

        Raises
        ------
        TraceFileError
            With ``name:line:`` in front, for anything that is not an X3P profile.
        """
        del spacing_um
        common.check_size(data, name)
        with Container(data, name) as container:
            listed = ListedPoints()
            document = _read_main(container, name, listed)
            axes = read_axes(document)
            expected = matrix_points(document)
            linked = bool(document.get("Record3/DataLink/PointDataLink"))
            points = matrix(container, document, axes, expected) if linked else listed.points(document, expected)
        bad = common.first_bad_height(points.values["CZ"])
        if bad is not None:
            raise fail(name, points.line(bad),
                       f"point {bad + 1}: {common.height_complaint(float(points.values['CZ'][bad]))}")
        if axes["CX"].absolute:
            return _uneven(document, points)
        spacing = common.shifted(axes["CX"].increment, 6)
        return common.make_trace(name, document.lines.get("Record1/Axes/CX/Increment", 1), samples=points.values["CZ"],
                                 spacing_um=spacing, facts=_facts(document))

    def write(self, trace: Trace) -> bytes:
        """Write a trace so that heights, spacing, positions and facts read back equal, bit for bit.

        Raises
        ------
        TraceError
            A height or a fact that no X3P file can hold.
        """
        heights_um = common.exact_heights(trace, "X3P")
        common.check_facts(trace.facts, "X3P")
        _check_characters(trace.facts)
        points = [common.shift_point(repr(z), -6) for z in heights_um.tolist()]
        if trace.positions_mm is not None:
            places = common.position_texts(trace.positions_mm, trace.position_resolution_mm)
            points = [f"{common.shift_point(x, -3)};0.0;{z}" for x, z in zip(places, points, strict=True)]
        main = _document(trace, points).encode("utf-8")
        return packed({_MAIN: main, _CHECKSUM_FILE: f"{md5_hex(main)} *{_MAIN}\n".encode("ascii")})


def _read_main(container: Container, name: str, listed: ListedPoints) -> Document:
    """Parse ``main.xml`` and compare its checksum with the one stated beside it."""
    checksum = new_md5()

    def watched(chunk: bytes) -> bytes:
        checksum.update(chunk)
        return chunk

    chunks = container.chunks(_MAIN, "is the heart of an X3P file")
    document = DocumentReader(name, listed.take).parse(map(watched, chunks))
    entry = document.get("Record4/ChecksumFile") or _CHECKSUM_FILE
    if not is_safe_link(entry):
        raise document.wrong("Record4/ChecksumFile", f"is {quote(entry)}; it must name an entry of the same archive")
    stated = container.read(entry, "holds the checksum of main.xml")[:32].decode("ascii", "replace").lower()
    if stated != checksum.hexdigest():
        raise fail(name, 1, f"main.xml does not fit the checksum in {quote(entry)}; the file is damaged")
    return document


def _uneven(document: Document, points: Points) -> Trace:
    positions_mm = points.values["CX"]
    bad = common.bad_position(positions_mm)
    if bad is not None:
        raise fail(document.name, points.line(bad[0]), f"point {bad[0] + 1}: {bad[1]}")
    y_mm = points.values.get("CY")
    if y_mm is not None and not (y_mm == y_mm[0]).all():
        raise document.wrong("Record1/Axes/CY", "varies along the profile; only profiles along x are read")
    resolution_mm = 0.0 if points.decimals is None else common.resolution_mm(points.decimals)
    return common.make_trace(
        document.name, points.line(0), samples=points.values["CZ"], facts=_facts(document), positions_mm=positions_mm,
        spacing_um=common.mean_spacing_um(positions_mm), position_resolution_mm=resolution_mm,
    )


def _facts(document: Document) -> dict[str, str]:
    comment = document.get("Record2/Comment")
    heading, *lines = comment.split("\n")
    if heading.strip() == _FACTS_HEADING:
        return common.listed_facts(line for line in lines if line.strip())
    facts = common.known_facts(comment)
    for path, key in _RECORD2.items():
        if text := document.get(f"Record2/{path}"):
            facts.setdefault(key, " ".join(text.split())[: common.MAX_FACT_CHARACTERS])
    if comment:
        facts.setdefault("comment", comment[: common.MAX_FACT_CHARACTERS])
    return facts


def _document(trace: Trace, points: list[str]) -> str:
    even = trace.positions_mm is None
    x_axis = _axis("CX", "I", common.shift_point(repr(trace.spacing_um), -6)) if even else _axis("CX", "A", "1.0")
    y_axis = _axis("CY", "I", "1.0") if even else _axis("CY", "A", "1.0")
    listed = "".join(f"<Datum>{point}</Datum>\n" for point in points)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<p:{ROOT} xmlns:p="{NAMESPACE}">\n'
        f"<Record1>\n<Revision>{_REVISION}</Revision>\n<FeatureType>PRF</FeatureType>\n"
        f"<Axes>\n{x_axis}{y_axis}{_axis('CZ', 'A', '1.0')}</Axes>\n</Record1>\n"
        f"{_record2(trace)}"
        f"<Record3>\n<MatrixDimension><SizeX>{len(points)}</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ></MatrixDimension>\n"
        f"<DataList>\n{listed}</DataList>\n</Record3>\n"
        f"<Record4>\n<ChecksumFile>{_CHECKSUM_FILE}</ChecksumFile>\n</Record4>\n</p:{ROOT}>\n"
    )


def _axis(key: str, kind: str, increment_m: str) -> str:
    return (f"<{key}><AxisType>{kind}</AxisType><DataType>D</DataType><Increment>{increment_m}</Increment>"
            f"<Offset>0.0</Offset></{key}>\n")


def _record2(trace: Trace) -> str:
    """Metadata for other readers, from the facts of those names; the comment holds all facts."""
    facts = {key: escape(value) for key, value in trace.facts.items()}
    tip = f", tip radius {facts['tip_radius_um']} µm" if "tip_radius_um" in facts else ""
    instrument = "".join(f"<{leaf}>{facts.get(f'instrument_{leaf.lower()}', '')}</{leaf}>"
                         for leaf in ("Manufacturer", "Model", "Serial", "Version"))
    comment = "\n".join((_FACTS_HEADING, *(f"{key}: {value}" for key, value in trace.facts.items())))
    return (
        f"<Record2>\n<Date>{_date(trace.captured_at)}</Date>\n<Creator>crosslay</Creator>\n"
        f"<Instrument>{instrument}</Instrument>\n"
        f"<ProbingSystem><Type>{'Software' if trace.simulated else 'Contacting'}</Type>"
        f"<Identification>{facts.get('probing_system', f'stylus{tip}')}</Identification></ProbingSystem>\n"
        f"<Comment>{escape(comment)}</Comment>\n</Record2>\n"
    )


def _date(captured_at: float | None) -> str:
    """End of the traverse, or now where it is not known, by ISO 8601: the standard asks for a date."""
    moment = datetime.now(UTC)
    if captured_at is not None:
        with contextlib.suppress(ValueError, OverflowError, OSError):  # a clock beyond the year 9999
            moment = datetime.fromtimestamp(captured_at, UTC)
    return moment.isoformat(timespec="milliseconds")


def _check_characters(facts: dict[str, str]) -> None:
    """XML 1.0, section 2.2: no control characters but tab, no halves of surrogate pairs, no U+FFFE and U+FFFF."""
    for key, value in facts.items():
        if any((c < " " and c != "\t") or "\ud800" <= c <= "\udfff" or c in "\ufffe\uffff" for c in key + value):
            raise TraceError(f"the fact {quote(key)}: {quote(value)} cannot be written to an X3P file: XML does not "
                             "allow its control characters")
