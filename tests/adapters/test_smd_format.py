"""SMD profiles (ISO 5436-2:2001, ASCII). The layout is *from memory* (reference values, section 13).

No independent reader of the format was to be had, so what is checked from outside is the text itself: records and marks
as the description has them, values by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import TraceError, TraceFileError
from crosslay.texture.trace import Calibration, Trace
from crosslay_adapters.tracefiles import common
from crosslay_adapters.tracefiles.smd_format import SmdFormat

HEAD = "ISO 5436 - 2000 sample\r\nPRF 0\r\nCX I 3 mm 1.0 D 0.0005\r\nCZ A 3 um 1.0 D\r\n"
REMARKS = "DATE 2024-05-06\r\nINSTRUMENT_SERIAL 'S-12'\r\nSPEED_mm/s 0.5\r\nCOMMENT part: A-17\r\n"
VALUES = "0.1\r\n-0.2\r\n0.3\r\n"


def smd(head: str = HEAD, remarks: str = REMARKS, values: str = VALUES, checksum: str = "123\r\n") -> bytes:
    return "".join(f"{record}\x03\r\n" for record in (head, remarks, values, checksum)).encode("latin-1") + b"\x1a"


def read(data: bytes, **options: float) -> Trace:
    return SmdFormat().read(data, "a.smd", **options)


def refusal(data: bytes) -> str:
    with pytest.raises(TraceFileError) as caught:
        read(data)
    message = str(caught.value)
    assert message.startswith("a.smd:")
    assert "\n" not in message
    assert len(message) < 300
    return message


# -- what is read --------------------------------------------------------------------------------------------------


def test_a_profile_with_its_facts():
    trace = read(smd())
    assert trace.samples.tolist() == [0.1, -0.2, 0.3]
    assert trace.spacing_um == 0.5
    assert trace.positions_mm is None
    assert trace.facts == {"part": "A-17", "date": "2024-05-06", "instrument_serial": "S-12", "speed_mm_s": "0.5",
                           "comment": "part: A-17"}


@pytest.mark.parametrize(("axis", "spacing_um"), [
    ("CX I 3 m 1.0 D 5e-7", 0.5), ("CX I 3 MM 1e0 F 0.0005", 0.5), ("CX I 3 um 1 L 0.5", 0.5),
    ("CX I 3 nm 1 I 500", 0.5), ("CX I 3 um 0.25 L 2", 0.5), ("cx i 3 'um' 1 d 0.1", 0.1),
])
def test_units_and_scale_of_the_spacing(axis, spacing_um):
    assert read(smd(HEAD.replace("CX I 3 mm 1.0 D 0.0005", axis))).spacing_um == spacing_um


@pytest.mark.parametrize(("axis", "factor"), [
    ("CZ A 3 m 1.0 D", 1e6), ("CZ A 3 mm 1.0 F", 1e3), ("CZ A 3 nm 1.0 D", 1e-3), ("CZ A 3 um 4.0 I", 4.0),
    ("CZ A 3 nm 2.5 L", 2.5e-3),
])
def test_units_and_scale_of_the_heights(axis, factor):
    trace = read(smd(HEAD.replace("CZ A 3 um 1.0 D", axis), values="0.25\r\n-0.5\r\n75e-2\r\n"))
    np.testing.assert_allclose(trace.samples, [0.25 * factor, -0.5 * factor, 0.75 * factor], rtol=1e-15)


def test_metres_are_converted_by_moving_the_point():
    """0.1 µm as 1e-7 m: multiplying would give 0.09999999999999999; moving the decimal point gives 0.1."""
    values = "1e-7\r\n1.1e-6\r\n0.0000003\r\n"
    assert read(smd(HEAD.replace("CZ A 3 um", "CZ A 3 m"), values=values)).samples.tolist() == [0.1, 1.1, 0.3]


@pytest.mark.parametrize("values", ["0\r\n0.0005\r\n0.0015\r\n1\r\n2\r\n3\r\n", "0 1\r\n0.0005 2\r\n0.0015 3\r\n"])
def test_absolute_positions_in_two_layouts(values):
    trace = read(smd(HEAD.replace("CX I 3 mm 1.0 D 0.0005", "CX A 3 mm 1.0 D"), values=values))
    assert trace.positions_mm.tolist() == [0.0, 0.0005, 0.0015]
    assert trace.samples.tolist() == [1.0, 2.0, 3.0]
    assert trace.spacing_um == 0.75
    assert trace.position_resolution_mm == 1e-4


def test_line_ends_without_carriage_return():
    assert read(smd().replace(b"\r\n", b"\n")).samples.tolist() == [0.1, -0.2, 0.3]


def test_a_remark_may_hold_any_byte_but_nul():
    trace = read(smd(remarks="COMMENT Gr\xf6\xdfe 5 \xb5m\r\n"))
    assert trace.facts == {"comment": "Größe 5 µm"}


def test_a_foreign_checksum_is_not_judged():
    assert read(smd(checksum="99999\r\n")).points == 3


# -- what is refused -----------------------------------------------------------------------------------------------


def swapped(old: str, new: str) -> bytes:
    data = smd().decode("latin-1")
    assert data.count(old) == 1
    return data.replace(old, new).encode("latin-1")


@pytest.mark.parametrize(("data", "where", "words"), [
    (b"", 1, "the file is empty"),
    (b"hello", 1, "only 0 of 4 records are ended by ETX"),
    (smd()[:60], 1, "only 0 of 4 records"),
    (smd()[:-9], 15, "record 4, the checksum, is missing; the file is cut"),
    (smd().replace(b"\x03", b""), 1, "only 0 of 4 records"),
    (swapped("ISO 5436 - 2000", "MEASUREMENT"), 1, 'an SMD file begins with "ISO 5436 - 2000"'),
    (swapped("PRF 0", "SUR 0"), 2, 'the file holds no profile (PRF) but "SUR"'),
    (swapped("PRF 0\r\n", ""), 3, "record 1 names no feature type"),
    (swapped("CX I 3 mm 1.0 D 0.0005\r\n", ""), 3, "record 1 has no line for the axis CX"),
    (swapped("CZ A 3 um 1.0 D", "CX I 3 mm 1.0 D 1"), 4, "the axis CX is there twice"),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 um"), 4, "the line of axis CZ has 4 words; it needs name, type"),
    (swapped("CZ A 3 um 1.0 D", "CZ A 4 um 1.0 D"), 4, "CZ has 4 points, CX has 3"),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 inch 1.0 D"), 4, 'the unit is "inch"; it must be one of m, mm, um, nm'),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 um 0 D"), 4, 'the scale factor is "0"; it must be a number above 0'),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 um 1e300 D"), 4, "the scale factor is"),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 um 1.0 X"), 4, 'the data type is "X"'),
    (swapped("CZ A 3 um 1.0 D", "CZ I 3 um 1.0 D 1"), 4, "the heights (CZ) must be of type A"),
    (swapped("CX I 3 mm", "CX R 3 mm"), 3, 'the axis type is "R"; only I (incremental) and A (absolute)'),
    (swapped("CX I 3 mm", "CX I 1 mm"), 3, 'the number of points is "1"; it must be a whole number from 2'),
    (swapped("CX I 3 mm", "CX I three mm"), 3, 'the number of points is "three"'),
    (swapped("CX I 3 mm", "CX I 99999999999999999999 mm"), 3, "the number of points is"),
    (swapped("D 0.0005", "D"), 3, 'the increment of CX is ""; it must be a number above 0'),
    (swapped("D 0.0005", "D -1"), 3, 'the increment of CX is "-1"'),
    (swapped("D 0.0005", "D 1e305"), 3, 'the increment of CX is "1e305"; it must be a number above 0 and below 1e+30'),
    (swapped("CZ A 3 um 1.0 D", "CZ A 3 um 1.0 D\r\nCY A 3 um 1.0 D"), 5, "the axis CY has values of its own"),
    (smd(values="0.1\r\n0.2\r\n"), 13, "record 3 has 2 values, record 1 says 3; the file is cut or damaged"),
    (smd(values="0.1\r\n0.2\r\n0.3\r\n0.4\r\n"), 14, "record 3 has 4 values, record 1 says 3"),
    (smd(values="0.1\r\nabc\r\n0.3\r\n"), 12, '"abc" is not a finite number'),
    (smd(values="0.1\r\n\r\n0.3\r\n"), 12, '"" is not a finite number'),
    (smd(values="0.1\r\nnan\r\n0.3\r\n"), 12, '"nan" is not a finite number'),
    (smd(values="0.1\r\n0.2\r\n1e999\r\n"), 13, '"1e999" is not a finite number'),
    (smd(values="0.1\r\n1_0\r\n0.3\r\n"), 12, '"1_0" is not a finite number'),
    (smd(values="0.1\r\n0.2\r\n2e6\r\n"), 13, "the height is 2e+06 µm; beyond ±1000000 µm"),
    (smd(values="0.1\r\n0.2\xb5\r\n0.3\r\n"), 12, "the byte 0xB5 is not ASCII"),
    (smd(remarks="COMMENT \0\r\n"), 6, "there is a NUL byte"),
])
def test_refused_with_line_and_reason(data, where, words):
    message = refusal(data)
    assert words in message
    assert message.startswith(f"a.smd:{where}: ")


@pytest.mark.parametrize(("values", "where", "words"), [
    ("0\r\n2\r\n1\r\n1\r\n2\r\n3\r\n", 13, "the position is 1.0 mm after 2.0 mm; positions must increase"),
    ("0\r\n1\r\n1\r\n1\r\n2\r\n3\r\n", 13, "the position is 1.0 mm after 1.0 mm"),
    ("0\r\n1\r\n2e6\r\n1\r\n2\r\n3\r\n", 13, "it must lie within ±1000000 mm"),
    ("0\r\n1\r\n2\r\n1\r\n2\r\n9e9\r\n", 16, "the height is 9e+09 µm"),
    ("0 1\r\n1\r\n2 3\r\n", 12, "the line has 1 values; a position and a height were expected"),
    ("0\r\n1\r\n", 13, "record 3 has 2 values, record 1 says 6"),
])
def test_refused_absolute_positions(values, where, words):
    message = refusal(smd(HEAD.replace("CX I 3 mm 1.0 D 0.0005", "CX A 3 mm 1.0 D"), values=values))
    assert message.startswith(f"a.smd:{where}: ")
    assert words in message


def test_damage_to_a_file_of_our_own_is_found_by_its_checksum():
    data = SmdFormat().write(Trace(samples=np.array([0.125, 0.25]), spacing_um=0.5))
    assert "the checksum is " in refusal(data.replace(b"0.125", b"0.126"))


@given(st.binary(max_size=300))
def test_any_bytes_give_one_clear_error(data):
    assert refusal(data)


@given(st.integers(0, len(smd()) - 1), st.integers(0, 255))
def test_any_changed_byte_gives_a_trace_or_one_clear_error(at, byte):
    data = bytearray(smd())
    data[at] = byte
    try:
        assert read(bytes(data)).points == 3
    except TraceFileError as error:
        assert str(error).startswith("a.smd:")  # noqa: PT017 - either outcome is right


# -- written and read back -----------------------------------------------------------------------------------------

TEXTS = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12)
FACTS = st.dictionaries(TEXTS.filter(lambda k: ":" not in k and k not in common.NUMERIC_FACTS), TEXTS, max_size=5)


def test_the_written_text_by_hand():
    trace = Trace(samples=np.array([0.1, -0.25]), spacing_um=0.5, facts={"part": "ä'1", "speed_mm_s": "0.5"})
    data = SmdFormat().write(trace)
    records = [
        b"ISO 5436 - 2000 crosslay\r\nPRF 0\r\nCX I 2 um 1.0 D 0.5\r\nCZ A 2 um 1.0 D\r\n\x03\r\n",
        b"CREATED_BY crosslay\r\nSPEED_mm/s 0.5\r\nCOMMENT part: \\xe4'1\r\nCOMMENT speed_mm_s: 0.5\r\n\x03\r\n",
        b"0.1\r\n-0.25\r\n\x03\r\n",
    ]
    body = b"".join(records)
    assert data == body + str(sum(body) % 65536).encode() + b"\r\n\x03\r\n\x1a"


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(1e-6, 1e4), FACTS)
def test_heights_spacing_and_facts_read_back_bit_for_bit(heights_um, spacing_um, facts):
    trace = Trace(samples=np.array(heights_um), spacing_um=spacing_um, facts=facts)
    data = SmdFormat().write(trace)
    back = read(data)
    assert data.isascii()
    assert back.samples.tobytes() == trace.samples.tobytes()
    assert back.spacing_um == spacing_um
    assert back.facts == facts
    assert SmdFormat().write(back) == data


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40, unique=True), st.integers(0, 6))
def test_positions_read_back_bit_for_bit(positions, decimals):
    rounded = np.unique(np.round(positions, decimals)) + 0.0
    if rounded.size < 2:
        return
    trace = Trace(samples=np.arange(rounded.size, dtype=float), spacing_um=common.mean_spacing_um(rounded),
                  positions_mm=rounded, position_resolution_mm=float(f"1e-{decimals}"))
    back = read(SmdFormat().write(trace))
    assert back.positions_mm.tolist() == rounded.tolist()
    assert back.spacing_um == trace.spacing_um
    assert back.position_resolution_mm == trace.position_resolution_mm


def test_counts_are_written_as_heights():
    trace = Trace(samples=np.array([1, 2, -3], dtype=np.int32), spacing_um=0.5, calibration=Calibration(gain_um=0.1))
    assert read(SmdFormat().write(trace)).samples.tolist() == trace.heights_um().tolist()


@pytest.mark.parametrize("facts", [{"a:b": "c"}, {"a": " c"}, {"a": "c\nd"}, {"": "c"}, {"spacing_um": "0.5"}])
def test_facts_that_would_not_read_back_are_refused(facts):
    with pytest.raises(TraceError, match="cannot be written to a SMD file"):
        SmdFormat().write(Trace(samples=np.zeros(3), spacing_um=0.5, facts=facts))
