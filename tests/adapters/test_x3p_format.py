"""X3P profiles (ISO 25178-72), read and written by us and by x3pio, an independent library of the open standard."""

from __future__ import annotations

import hashlib
import io
import math
import struct
import warnings
import zipfile
from datetime import UTC, datetime
from decimal import Decimal

import numpy as np
import pytest
import x3pio
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import TraceError, TraceFileError
from crosslay.texture.trace import Calibration, Trace
from crosslay_adapters.tracefiles import common, x3p_container
from crosslay_adapters.tracefiles.x3p_format import X3pFormat

Z_M = np.array([1e-7, -2e-7, 3.5e-7, 0.0])


def read(data: bytes) -> Trace:
    return X3pFormat().read(data, "a.x3p")


def refusal(data: bytes) -> str:
    with pytest.raises(TraceFileError) as caught:
        read(data)
    message = str(caught.value)
    assert message.startswith("a.x3p:")
    assert message.split(":")[1].isdigit()
    assert "\n" not in message
    assert len(message) < 300
    return message


def parts_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def pack(parts: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def changed(data: bytes, *replacements: tuple[str, str], **parts: bytes | None) -> bytes:
    """The file with other texts in main.xml (and its checksum made good), or other parts."""
    entries = parts_of(data)
    main = entries["main.xml"].decode()
    for old, new in replacements:
        assert main.count(old) >= 1, old
        main = main.replace(old, new, 1)
    entries["main.xml"] = main.encode()
    entries["md5checksum.hex"] = f"{hashlib.md5(main.encode()).hexdigest()} *main.xml\n".encode()
    for key, value in parts.items():
        name = {"main": "main.xml", "checksum": "md5checksum.hex", "matrix": "bindata/data.bin",
                "valid": "bindata/valid.bin"}[key]
        entries.pop(name, None)
        if value is not None:
            entries[name] = value
    return pack(entries)


def ours() -> bytes:
    return X3pFormat().write(Trace(samples=np.array([0.1, -0.2, 0.35]), spacing_um=0.5, captured_at=0.0))


def theirs(z_m: np.ndarray = Z_M, **options: object) -> bytes:
    return x3pio.Profile.from_array(z_m, x_scale=5e-7, **options).dumps()


BINARY, XML = x3pio.DataStorage.BINARY, x3pio.DataStorage.XML


# -- against an independent library --------------------------------------------------------------------------------


@pytest.mark.parametrize("storage", list(x3pio.DataStorage))
def test_reads_what_x3pio_writes(storage):
    metadata = x3pio.Metadata(
        date=datetime(2024, 5, 6, tzinfo=UTC), creator="invented", comment="taken after the noon break\npart: A-17",
        instrument=x3pio.Instrument("Invented Works", "Model 1", "S-12", "3.4"),
        probing_system=x3pio.ProbingSystem(x3pio.ProbingType.CONTACTING, "stylus"))
    trace = read(theirs(storage=storage, metadata=metadata))
    np.testing.assert_allclose(trace.samples, Z_M * 1e6, rtol=3e-16)
    assert trace.spacing_um == 0.5
    assert trace.positions_mm is None
    assert trace.facts["part"] == "A-17"
    assert trace.facts["instrument_model"] == "Model 1"
    assert trace.facts["instrument_serial"] == "S-12"
    assert trace.facts["probing_system"] == "stylus"
    assert trace.facts["date"].startswith("2024-05-06")
    assert trace.facts["comment"].startswith("taken after")


@pytest.mark.parametrize("revision", list(x3pio.Revision))
@pytest.mark.parametrize("data_type", list(x3pio.DataType))
@pytest.mark.parametrize("storage", list(x3pio.DataStorage))
def test_reads_every_data_type_as_x3pio_does(revision, data_type, storage):
    z_m = 1e-6 * np.sin(np.arange(101) / 7.0)
    metadata = x3pio.Metadata(
        date=datetime(2024, 5, 6, tzinfo=UTC), instrument=x3pio.Instrument("a", "b", "c", "d"),
        probing_system=x3pio.ProbingSystem(x3pio.ProbingType.CONTACTING, "stylus"))
    data = theirs(z_m, storage=storage, z_type=data_type, revision=revision, metadata=metadata)
    seen_m = x3pio.read(io.BytesIO(data)).layers[0].z
    np.testing.assert_allclose(read(data).samples, seen_m * 1e6, rtol=1e-15, atol=1e-15)
    np.testing.assert_allclose(seen_m, z_m, atol=1e-10)


def test_reads_coordinates_that_x3pio_writes():
    points_m = np.array([[0.0, 0.002, 1e-6], [1e-6, 0.002, 2e-6], [2.5e-6, 0.002, 3e-6]])
    for storage in x3pio.DataStorage:
        trace = read(x3pio.Profile.from_points(points_m, storage=storage).dumps())
        np.testing.assert_allclose(trace.positions_mm, points_m[:, 0] * 1e3, rtol=3e-16)
        np.testing.assert_allclose(trace.samples, [1.0, 2.0, 3.0], rtol=3e-16)
        assert trace.spacing_um == pytest.approx(1.25, rel=1e-15)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=20), st.floats(1e-3, 1e4))
def test_x3pio_reads_what_is_written_here(heights_um, spacing_um):
    data = X3pFormat().write(Trace(samples=np.array(heights_um), spacing_um=spacing_um))
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # it warns of what does not conform to the standard
        seen = x3pio.read(io.BytesIO(data))
    assert isinstance(seen, x3pio.Profile)
    assert seen.is_regular_grid
    # metres, rounded once: the nearest float to the decimal number that was written
    assert seen.layers[0].z.tolist() == [float(Decimal(repr(z)).scaleb(-6)) for z in heights_um]
    assert seen.header.x.increment == float(Decimal(repr(spacing_um)).scaleb(-6))


def test_x3pio_reads_positions_and_metadata_that_are_written_here():
    facts = {"part": "<ä & ü>", "instrument_model": "Model 1", "tip_radius_um": "2.0", "note": "]]>\tx"}
    trace = Trace(samples=np.array([1.0, 2.0, 3.0]), spacing_um=0.75, positions_mm=np.array([0.0, 0.0005, 0.0015]),
                  position_resolution_mm=1e-4, facts=facts, captured_at=1_714_953_600.0)
    seen = x3pio.read(io.BytesIO(X3pFormat().write(trace)))
    np.testing.assert_allclose(seen.layers[0].points(), [[0, 0, 1e-6], [5e-7, 0, 2e-6], [1.5e-6, 0, 3e-6]], rtol=3e-16)
    assert seen.metadata.date == datetime(2024, 5, 6, tzinfo=UTC)
    assert seen.metadata.creator == "crosslay"
    assert seen.metadata.instrument.model == "Model 1"
    assert seen.metadata.probing_system.type is x3pio.ProbingType.CONTACTING
    assert seen.metadata.probing_system.identification == "stylus, tip radius 2.0 µm"
    assert "part: <ä & ü>" in seen.metadata.comment


def test_x3pio_writes_again_what_it_read_here_and_nothing_is_lost():
    trace = Trace(samples=np.array([0.1, 0.123456789012345, -7.0]), spacing_um=0.3)
    again = x3pio.read(io.BytesIO(X3pFormat().write(trace))).dumps(storage=BINARY)
    np.testing.assert_allclose(read(again).samples, trace.samples, rtol=3e-16)
    assert read(again).spacing_um == 0.3


# -- written and read back -----------------------------------------------------------------------------------------

CHARACTERS = st.characters(exclude_categories=["C", "Z"], exclude_characters="\ufffe\uffff")
TEXTS = st.text(CHARACTERS, min_size=1, max_size=12)
FACTS = st.dictionaries(TEXTS.filter(lambda k: ":" not in k and k not in common.NUMERIC_FACTS), TEXTS, max_size=5)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(1e-6, 1e4), FACTS)
def test_heights_spacing_and_facts_read_back_bit_for_bit(heights_um, spacing_um, facts):
    trace = Trace(samples=np.array(heights_um), spacing_um=spacing_um, facts=facts, captured_at=0.0)
    data = X3pFormat().write(trace)
    back = read(data)
    assert back.samples.tobytes() == trace.samples.tobytes()
    assert back.spacing_um == spacing_um
    assert back.facts == facts
    assert X3pFormat().write(trace) == data


def test_heights_that_no_binary_metre_holds_read_back_bit_for_bit():
    """Why the points are listed as text: for one in thirty heights no float in metres times 10⁶ gives it again."""
    heights_um = np.random.default_rng(5).uniform(1.91, 2.0, 2000)
    nearest_m = heights_um / 1e6
    reachable = {(m * 1e6).item() for step in (-np.inf, np.inf) for m in (nearest_m, np.nextafter(nearest_m, step))
                 for m in m}
    assert any(z not in reachable for z in heights_um.tolist())
    back = read(X3pFormat().write(Trace(samples=heights_um, spacing_um=0.5)))
    assert back.samples.tobytes() == heights_um.tobytes()


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40, unique=True), st.integers(0, 6))
def test_positions_read_back_bit_for_bit(positions, decimals):
    rounded = np.unique(np.round(positions, decimals)) + 0.0
    if rounded.size < 2:
        return
    trace = Trace(samples=np.arange(rounded.size, dtype=float), spacing_um=common.mean_spacing_um(rounded),
                  positions_mm=rounded, position_resolution_mm=float(f"1e-{decimals}"))
    back = read(X3pFormat().write(trace))
    assert back.positions_mm.tolist() == rounded.tolist()
    assert back.samples.tolist() == trace.samples.tolist()
    assert back.spacing_um == trace.spacing_um
    assert back.position_resolution_mm == trace.position_resolution_mm


def test_many_points_in_several_blocks():
    heights_um = np.random.default_rng(6).normal(size=150_000)
    assert read(X3pFormat().write(Trace(samples=heights_um, spacing_um=0.5))).samples.tobytes() == heights_um.tobytes()


def test_counts_are_written_as_heights():
    trace = Trace(samples=np.array([1, 2, -3], dtype=np.int32), spacing_um=0.5, calibration=Calibration(gain_um=0.1))
    assert read(X3pFormat().write(trace)).samples.tolist() == trace.heights_um().tolist()


def test_a_simulated_trace_says_so():
    main = parts_of(X3pFormat().write(Trace(samples=np.zeros(2), spacing_um=0.5, simulated=True)))["main.xml"]
    assert b"<Type>Software</Type>" in main


@pytest.mark.parametrize("captured_at", [1e18, -1e18, math.nan])
def test_an_impossible_clock_does_not_stop_the_export(captured_at):
    trace = Trace(samples=np.zeros(2), spacing_um=0.5, captured_at=captured_at)
    assert read(X3pFormat().write(trace)).points == 2


@pytest.mark.parametrize("facts", [
    {"a:b": "c"}, {"a": " c"}, {"a": "c\nd"}, {"": "c"}, {"a": "x\x07y"}, {"a": "\ud800"},
])
def test_facts_that_would_not_read_back_are_refused(facts):
    with pytest.raises(TraceError, match=r"cannot be written to an? X3P file"):
        X3pFormat().write(Trace(samples=np.zeros(3), spacing_um=0.5, facts=facts))


# -- damaged and hostile archives ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("data", "words"), [
    (b"", "the file is empty"),
    (b"hello", "this is no X3P file, or it is cut"),
    (b"PK\x03\x04" + b"\0" * 50, "this is no X3P file, or it is cut"),
    (ours()[:-30], "this is no X3P file, or it is cut"),
    (ours()[20:], ""),
    (pack({}), 'the archive has no entry "main.xml", which is the heart of an X3P file'),
    (pack({"folder/main.xml": b"<x/>"}), 'no entry "main.xml"'),
    (changed(ours(), checksum=None), 'no entry "md5checksum.hex", which holds the checksum of main.xml'),
    (changed(ours(), checksum=b"0" * 32 + b" *main.xml\n"), "main.xml does not fit the checksum"),
    (changed(ours(), checksum=b""), "main.xml does not fit the checksum"),
    (changed(ours(), checksum=b"\xff" * 40), "main.xml does not fit the checksum"),
    (pack({str(i): b"" for i in range(2000)}), "the archive has 2000 entries"),
])
def test_refused_archives(data, words):
    assert words in refusal(data)


def test_every_cut_of_a_file_is_refused():
    data = ours()
    for length in range(0, len(data), 7):
        refusal(data[:length])


@given(st.integers(0, len(ours()) - 1), st.integers(1, 255))
def test_any_changed_byte_changes_nothing_or_is_refused(at, flip):
    data = bytearray(ours())
    data[at] ^= flip
    try:
        trace = read(bytes(data))
    except TraceFileError as error:
        assert str(error).startswith("a.x3p:")  # noqa: PT017 - either outcome is right
    else:
        assert trace.samples.tolist() == [0.1, -0.2, 0.35], "checksums must find what changes the heights"


@given(st.binary(max_size=200))
def test_any_bytes_give_one_clear_error(data):
    refusal(data)
    refusal(b"PK\x03\x04" + data)


def test_a_bomb_that_declares_its_size(monkeypatch):
    monkeypatch.setattr(x3p_container, "MAX_UNPACKED_BYTES", 1_000_000)
    assert "says that it unpacks to" in refusal(pack({"main.xml": b" " * 2_000_000}))
    monkeypatch.undo()
    assert "at most 192 MiB are unpacked" in refusal(pack({"main.xml": bytes(x3p_container.MAX_UNPACKED_BYTES + 1)}))


def test_a_bomb_that_lies_about_its_size(monkeypatch):
    monkeypatch.setattr(x3p_container, "MAX_UNPACKED_BYTES", 1_000_000)
    size = 50_000_000
    data = bytearray(pack({"main.xml": b"<a>" + b" " * size}))
    real, lie = struct.pack("<I", size + 3), struct.pack("<I", 100)
    assert data.count(real) == 2
    message = refusal(bytes(data.replace(real, lie)))
    assert "main.xml" in message


def test_a_bomb_of_many_parts(monkeypatch):
    monkeypatch.setattr(x3p_container, "MAX_UNPACKED_BYTES", 3000)
    matrix = theirs(np.zeros(200), storage=BINARY)
    assert "unpacks" in refusal(matrix)


def test_a_bomb_of_one_part_that_is_used_twice(monkeypatch):
    data = theirs(np.full(2000, 1e-7), storage=BINARY)
    entries = parts_of(data)
    end = "</MD5ChecksumPointData>"
    data = changed(data, (end, f"{end}<ValidPointsLink>bindata/data.bin</ValidPointsLink>"))
    declared = sum(map(len, parts_of(data).values()))
    monkeypatch.setattr(x3p_container, "MAX_UNPACKED_BYTES", declared + len(entries["bindata/data.bin"]) // 2)
    assert "the archive unpacks to more than it says" in refusal(data)


def test_two_entries_of_one_name():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        archive.writestr("main.xml", "<a/>")
        archive.writestr("main.xml", "<b/>")
    assert 'the archive has two entries "main.xml"' in refusal(buffer.getvalue())


def test_an_encrypted_entry():
    data = bytearray(ours())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(signature) + offset] |= 1
    assert "is encrypted" in refusal(bytes(data))


def test_a_compression_that_is_not_known():
    data = bytearray(ours())
    for signature, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        data[data.index(signature) + offset] = 97
    assert "damaged" in refusal(bytes(data))


# -- main.xml ------------------------------------------------------------------------------------------------------

START = '<?xml version="1.0" encoding="UTF-8"?>\n'


@pytest.mark.parametrize(("main", "line", "words"), [
    (b"", 1, "main.xml is not well-formed XML: no element found"),
    (b'<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2">\n<b>\n</a>', 3,
     "main.xml is not well-formed XML: mismatched tag"),
    (b"<a/>", 1, 'begins with the element "a"; X3P begins with ISO5436_2'),
    (b"<ISO5436_2/>", 1, 'begins with the element "ISO5436_2"'),
    (b"\xff\xfe<\0", 1, ""),
    (b'<?xml version="1.0" encoding="nonsense"?><a/>', 1, "main.xml"),
    (b'<?xml version="1.0"?>\n<!DOCTYPE a>\n<a/>', 2, "has a document type (DOCTYPE), which may hide entities"),
    (b'<!DOCTYPE a [<!ENTITY b "bbbb"><!ENTITY c "&b;&b;&b;">]><a>&c;</a>', 1, "has a document type (DOCTYPE)"),
    (b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>', 1, "has a document type (DOCTYPE)"),
    (b'<!DOCTYPE a SYSTEM "http://192.0.2.1/a.dtd"><a/>', 1, "has a document type (DOCTYPE)"),
    ('<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE a><a/>'.encode("utf-16"), 1, "has a document type (DOCTYPE)"),
])
def test_refused_xml(main, line, words):
    message = refusal(changed(ours(), main=main))
    assert words in message
    assert message.startswith(f"a.x3p:{line}: ")


@pytest.mark.parametrize(("inside", "words"), [
    ("<v>" * 40 + "</v>" * 40, "nests its elements more than 32 deep"),
    ("<v/>" * 5000, "has more than 4000 elements beside its points"),
    ("<v>" + "x" * 1_100_000 + "</v>", "has an element of more than 1,048,576 characters"),
    ("<Record3><DataList><Datum>" + "1" * 500 + "</Datum></DataList></Record3>", "has a point of 500 characters"),
    ("<Record1><Revision>a</Revision><Revision>b</Revision></Record1>", "has Record1/Revision twice"),
    ("<Record3><DataList><Datum>1</Datum></DataList></Record3>", "main.xml has no Record1/FeatureType"),
])
def test_refused_structures(inside, words):
    head = '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2">'
    assert words in refusal(changed(ours(), main=f"{START}{head}{inside}</p:ISO5436_2>".encode()))


def test_elements_of_others_are_passed_over():
    extra = "<VendorSpecificID>x</VendorSpecificID><Other><a>1</a><a>2</a></Other></p:ISO5436_2>"
    assert read(changed(ours(), ("</p:ISO5436_2>", extra))).points == 3


@pytest.mark.parametrize(("old", "new", "words"), [
    ("PRF", "SUR", "says that the file holds a surface (SUR); only profiles (PRF) are read"),
    ("PRF", "PCL", "says that the file holds a cloud of points (PCL)"),
    ("PRF", "XYZ", 'says that the file holds "XYZ"'),
    ("<FeatureType>PRF</FeatureType>", "", "main.xml has no Record1/FeatureType"),
    ("<CX><AxisType>I", "<CX><AxisType>Q", 'Record1/Axes/CX/AxisType is "Q"; it must be I (incremental) or A'),
    ("<CZ><AxisType>A", "<CZ><AxisType>I", "CZ/AxisType is I (incremental); heights must be A (absolute)"),
    ("<DataType>D", "<DataType>X", 'CX/DataType is "X"; it must be one of I, L, F, D'),
    ("<Increment>0.5e-6", "<Increment>0", 'CX/Increment is "0"; it must be a number above 0'),
    ("<Increment>0.5e-6", "<Increment>-1", 'CX/Increment is "-1"; it must be a number above 0'),
    ("<Increment>0.5e-6", "<Increment>1e305", 'CX/Increment is "1e305"; it must be a number above 0 and below'),
    ("<Increment>0.5e-6", "<Increment>NaN", 'CX/Increment is "NaN", not a finite number'),
    ("<Increment>0.5e-6</Increment>", "", "CX/Increment is missing; an incremental axis needs one"),
    ("<SizeX>3", "<SizeX>4", "main.xml lists 3 points, its MatrixDimension says 4; the file is cut or damaged"),
    ("<SizeX>3", "<SizeX>2", "main.xml lists 3 points, its MatrixDimension says 2"),
    ("<SizeX>3", "<SizeX>1", "SizeX is 1; a trace has 2 to 4,000,000 points"),
    ("<SizeX>3", "<SizeX>5000000", "SizeX is 5000000; a trace has 2 to 4,000,000 points"),
    ("<SizeX>3", "<SizeX>-3", 'SizeX is "-3", not a whole number'),
    ("<SizeX>3</SizeX>", "", "main.xml has no Record3/MatrixDimension/SizeX"),
    ("<SizeY>1", "<SizeY>3", "makes a matrix of 3 × 3 × 1; a single profile has N × 1 × 1"),
    ("<SizeZ>1", "<SizeZ>2", "makes a matrix of 3 × 1 × 2"),
    ("<Datum>-0.2e-6", "<Datum>", "point 2 is marked as not measured; a trace needs every point"),
    ("<Datum>-0.2e-6", "<Datum>NaN", 'point 2: "NaN" is not a finite number'),
    ("<Datum>-0.2e-6", "<Datum>1e999", 'point 2: "1e999" is not a finite number'),
    ("<Datum>-0.2e-6", "<Datum>abc", 'point 2: "abc" is not a finite number'),
    ("<Datum>-0.2e-6", "<Datum>1;2", "point 2 has 2 coordinates; the axes ask for 1"),
    ("<Datum>-0.2e-6", "<Datum>2", "point 2: the height is 2e+06 µm; beyond ±1000000 µm"),
    ("<ChecksumFile>md5checksum.hex", "<ChecksumFile>../x", 'Record4/ChecksumFile is "../x"; it must name an entry'),
    ("<ChecksumFile>md5checksum.hex", "<ChecksumFile>other", 'no entry "other", which holds the checksum'),
])
def test_refused_contents(old, new, words):
    message = refusal(changed(ours(), (old, new)))
    assert words in message


def test_errors_of_points_name_their_line_in_main_xml():
    main = parts_of(ours())["main.xml"].decode().splitlines()
    line = next(number for number, text in enumerate(main, 1) if "-0.2e-6" in text)
    for bad in ("", "x", "9"):
        assert refusal(changed(ours(), ("-0.2e-6", bad))).startswith(f"a.x3p:{line}: point 2")


def test_positions_must_increase_along_x_only():
    trace = Trace(samples=np.zeros(3), spacing_um=500.0, positions_mm=np.array([0.0, 0.5, 1.0]))
    data = X3pFormat().write(trace)
    assert "point 2: the position is 2.0 mm after" not in refusal(changed(data, ("<Datum>0.5e-3", "<Datum>2e-3")))
    assert "point 3: the position is 1.0 mm after 2.0 mm" in refusal(changed(data, ("<Datum>0.5e-3", "<Datum>2e-3")))
    assert "it must lie within ±1000000 mm" in refusal(changed(data, ("<Datum>1.0e-3", "<Datum>1e9")))
    assert "varies along the profile" in refusal(changed(data, (";0.0;", ";0.1;")))


@pytest.mark.parametrize("link", ["../../etc/passwd", "/etc/passwd", "C:\\x", "bindata/../../x", "a\\b", "./x", "a//b"])
def test_links_lead_nowhere_else(link):
    data = changed(theirs(storage=BINARY), ("<PointDataLink>bindata/data.bin", f"<PointDataLink>{link}"))
    assert "it must name an entry of the same archive" in refusal(data)


# -- the binary matrix ---------------------------------------------------------------------------------------------


def with_matrix(matrix: bytes, *replacements: tuple[str, str]) -> bytes:
    data = theirs(storage=BINARY)
    old = hashlib.md5(parts_of(data)["bindata/data.bin"]).hexdigest()
    return changed(data, (old, hashlib.md5(matrix).hexdigest()), *replacements, matrix=matrix)


def test_a_matrix_of_another_size():
    message = refusal(with_matrix(bytes(24)))
    assert "leads to 24 bytes; 4 points of 8 bytes need 32; the file is cut or damaged" in message
    assert "leads to 40 bytes" in refusal(with_matrix(bytes(40)))
    assert "leads to 0 bytes" in refusal(with_matrix(b""))


def test_a_matrix_that_does_not_fit_its_checksum():
    assert "MD5ChecksumPointData does not fit" in refusal(changed(theirs(storage=BINARY), matrix=bytes(32)))


def test_a_matrix_that_is_missing():
    message = refusal(changed(theirs(storage=BINARY), matrix=None))
    assert 'no entry "bindata/data.bin", which Record3/DataLink/PointDataLink names' in message


@pytest.mark.parametrize(("values", "words"), [
    ([0.0, math.nan, 0.0, 0.0], "marks point 2 as not measured; a trace needs every point"),
    ([0.0, 0.0, math.inf, 0.0], "point 3: the height is inf"),
    ([0.0, 0.0, 0.0, 1e300], "point 4: the height is "),
    ([0.0, 0.0, 0.0, 1e308], "point 4: the height is inf"),
    ([2.0, 0.0, 0.0, 0.0], "point 1: the height is 2e+06 µm"),
])
def test_values_of_the_matrix(values, words):
    assert words in refusal(with_matrix(struct.pack("<4d", *values)))


def test_points_that_x3pio_marks_as_not_measured():
    z_m = Z_M.copy()
    z_m[2] = math.nan
    for storage in x3pio.DataStorage:
        for data_type in (x3pio.DataType.FLOAT64, x3pio.DataType.INT16):
            assert "point 3" in refusal(theirs(z_m, storage=storage, z_type=data_type))


def test_a_valid_point_file_that_is_too_short():
    z_m = np.full(20, math.nan)
    z_m[:19] = 1e-7
    data = theirs(z_m, storage=BINARY, z_type=x3pio.DataType.INT16)
    old = hashlib.md5(parts_of(data)["bindata/valid.bin"]).hexdigest()
    short = changed(data, (old, hashlib.md5(b"\xff").hexdigest()), valid=b"\xff")
    assert "leads to 1 bytes; 20 points need 3" in refusal(short)
