"""CSV traces, by the page *interface*, section *Trace files*: what is read, what is refused, and with which words."""

from __future__ import annotations

import csv
import io
import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import TraceError, TraceFileError
from crosslay.texture.trace import MAX_HEIGHT_UM, Calibration, Trace
from crosslay_adapters.tracefiles import common, csv_format
from crosslay_adapters.tracefiles.csv_format import CsvFormat

Z_ONLY = "# spacing_um: 0.5\nz_um\n0.1\n-0.2\n0.3\n"
WITH_X = "x_mm,z_um\n0.0000,0.1\n0.0005,-0.2\n0.0010,0.3\n"


def read(text: str | bytes, name: str = "a.csv", **options: float) -> Trace:
    return CsvFormat().read(text.encode() if isinstance(text, str) else text, name, **options)


def refusal(text: str | bytes, **options: float) -> str:
    with pytest.raises(TraceFileError) as caught:
        read(text, **options)
    message = str(caught.value)
    assert message.startswith("a.csv:")
    assert "\n" not in message
    assert len(message) < 300
    return message


# -- what is read --------------------------------------------------------------------------------------------------


def test_heights_alone_with_their_spacing():
    trace = read(Z_ONLY)
    assert trace.samples.tolist() == [0.1, -0.2, 0.3]
    assert trace.samples.dtype == np.float64
    assert trace.spacing_um == 0.5
    assert trace.positions_mm is None
    assert trace.facts == {}


def test_positions_and_their_resolution():
    trace = read(WITH_X)
    assert trace.positions_mm is not None
    assert trace.positions_mm.tolist() == [0.0, 0.0005, 0.001]
    assert trace.position_resolution_mm == 1e-4
    assert trace.spacing_um == 0.5
    assert trace.samples.tolist() == [0.1, -0.2, 0.3]


def test_spacing_is_the_mean_over_all_steps():
    # design: texture, section 1: dx = (x_last - x_first)/(N - 1)
    trace = read("x_mm,z_um\n1.0,0\n1.1,0\n1.25,0\n1.4,0\n1.9,0\n")
    assert trace.spacing_um == pytest.approx((1.9 - 1.0) / 4 * 1000, rel=1e-15)
    assert trace.position_resolution_mm == 0.01


@pytest.mark.parametrize(("first", "resolution_mm"), [
    ("0", 1e-3), ("0.0", 1e-3), ("0.0000", 1e-4), ("0e-6", 1e-6), ("0.50e-6", 1e-8), ("0.", 1e-3), (" 0.0000 ", 1e-4),
])
def test_resolution_is_one_unit_of_the_last_printed_decimal(first, resolution_mm):
    assert read(f"x_mm,z_um\n{first},0\n1.001,0\n2,0\n").position_resolution_mm == resolution_mm


def test_whole_numbers_have_a_resolution_of_one():
    assert read("x_mm,z_um\n0,0\n1,0\n").position_resolution_mm == 1.0


def test_facts_known_and_unknown_are_kept_as_given():
    head = ("# part: A-17\n#job:4711\n# speed_mm_s: 0.5\n# tip_radius_um: 2.0\n# skid: none\n"
            "# operator note : a: b, c; d \n# Größe: 5 µm\n")
    trace = read(head + Z_ONLY)
    assert trace.facts == {"part": "A-17", "job": "4711", "speed_mm_s": "0.5", "tip_radius_um": "2.0", "skid": "none",
                           "operator note": "a: b, c; d", "Größe": "5 µm"}


def test_remarks_and_blank_lines_may_stand_anywhere():
    trace = read("\n# a remark\n\n# spacing_um: 0.5\n \nz_um\n\n0.1\n# part: late\n0.2\n   # x\n\n0.3\n\n\n")
    assert trace.samples.tolist() == [0.1, 0.2, 0.3]
    assert trace.facts == {"part": "late"}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("last", ["", "\n"])
def test_line_ends_byte_order_mark_and_missing_last_line_end(end, bom, last):
    text = (WITH_X.rstrip("\n") + last).replace("\n", end)
    assert read(bom + text.encode()).samples.tolist() == [0.1, -0.2, 0.3]


def test_decimal_comma_with_semicolons():
    trace = read("# spacing_um: 0,5\n# speed_mm_s: 0,25\nx_mm;z_um\n0,0000;0,1\n0,0005;-0,2\n0,0010;3e-1\n")
    assert trace.samples.tolist() == [0.1, -0.2, 0.3]
    assert trace.position_resolution_mm == 1e-4
    assert trace.spacing_um == 0.5
    assert trace.facts == {"speed_mm_s": "0.25"}, "facts that are numbers are handed on with a decimal point"


def test_decimal_point_with_semicolons():
    assert read(WITH_X.replace(",", ";")).samples.tolist() == [0.1, -0.2, 0.3]


@pytest.mark.parametrize("header", ["x_mm,z_um", " x_mm , z_um ", '"x_mm","z_um"'])
def test_header_rows(header):
    assert read(f"{header}\n0,1\n1,2\n").samples.tolist() == [1.0, 2.0]


def test_columns_may_be_swapped_as_the_header_names_them():
    trace = read("z_um,x_mm\n5,0\n6,0.1\n")
    assert trace.samples.tolist() == [5.0, 6.0]
    assert trace.positions_mm.tolist() == [0.0, 0.1]


@pytest.mark.parametrize("number", ["1", "+1", "1.", "01", "1e0", "10E-1", " 1\t", "0.1e1", "1.000000000000000000000"])
def test_ways_to_write_one(number):
    assert read(f"# spacing_um: 0.5\nz_um\n{number}\n2\n").samples.tolist() == [1.0, 2.0]


def test_the_spacing_asked_for_is_used_only_where_the_file_has_none():
    assert read("z_um\n1\n2\n", spacing_um=0.25).spacing_um == 0.25
    assert read(Z_ONLY, spacing_um=0.25).spacing_um == 0.5
    assert read(WITH_X, spacing_um=0.25).spacing_um == 0.5


def test_the_limit_of_heights_belongs_to_the_heights():
    assert read("# spacing_um: 0.5\nz_um\n1e6\n-1000000\n").samples.tolist() == [MAX_HEIGHT_UM, -MAX_HEIGHT_UM]


def test_agrees_with_the_csv_module_of_the_standard_library():
    chance = random.Random(20)
    rows = [(i * 5e-4, chance.gauss(0, 1) * 10 ** chance.randint(-6, 4)) for i in range(40_000)]  # several blocks
    text = "x_mm,z_um\n" + "".join(f"{x:.4f},{z!r}\n" for x, z in rows)
    assert len(text) > csv_format._BLOCK_BYTES
    expected = list(csv.reader(io.StringIO(text)))[1:]
    trace = read(text)
    assert trace.samples.tolist() == [float(z) for _x, z in expected]
    assert trace.positions_mm.tolist() == [float(x) for x, _z in expected]


# -- what is refused, and where ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "where", "words"), [
    ("", 1, "the file is empty"),
    ("\n\n", 2, "no header row and no data"),
    ("# part: 1\n# spacing_um: 0.5\n", 2, "no header row and no data"),
    ("# spacing_um: 0.5\nz_um\n", 2, "no row of data"),
    ("x_mm,z_um", 1, "no row of data"),
    ("# spacing_um: 0.5\nz_um\n1.0\n", 3, "only one row of data"),
    ("z_um\n1\n2\n", 1, 'there is no spacing; add a line like "# spacing_um: 0.5"'),
    ("1.0,2.0\n1.5,2.0\n", 1, '"1.0,2.0" is not a header row; the header row must be "x_mm,z_um" or "z_um"'),
    ("X,Z\n1,2\n", 1, '"X,Z" is not a header row'),
    ("x_mm\n1\n", 1, "is not a header row"),
    ("x_mm,z_um,y\n1,2,3\n", 1, "is not a header row"),
    ("z_um,z_um\n1,2\n", 1, "is not a header row"),
    ("x_mm\tz_um\n1\t2\n", 1, '"x_mm\\tz_um" is not a header row'),
    ("x_mm,z_um\n0,1\n1\n", 3, "the row has 1 value, the header names 2 (x_mm,z_um)"),
    ("x_mm,z_um\n0,1\n1,2,3\n", 3, "the row has 3 values, the header names 2"),
    ("x_mm,z_um\n0,1\n1,2,3\n4\n", 3, "the row has 3 values"),  # as many commas as two good rows
    ("x_mm,z_um\n0,0,1,5\n0,1,1,6\n", 2, 'a decimal comma is understood only with ";"'),
    ("# spacing_um: 0.5\nz_um\n1,5\n", 3, 'a decimal comma is understood only with ";"'),
    ("x_mm;z_um\n0,0;1,5\n0,1;1.6\n", 3, 'does not keep to one decimal sign, which was "," so far'),
    ("x_mm;z_um\n0.0;1.5\n0,1;16\n", 3, 'does not keep to one decimal sign, which was "." so far'),
    ("x_mm;z_um\n0,0;1,5\n0,1;1.000,5\n", 3, "nothing between thousands"),
    ("x_mm,z_um\n0,1\n1,abc\n2,3\n", 3, 'z_um is "abc", not a number'),
    ("x_mm,z_um\n0,1\none,2\n2,3\n", 3, 'x_mm is "one", not a number'),
    ("x_mm,z_um\n0,1\n1,\n2,3\n", 3, "z_um is missing"),
    ("x_mm,z_um\n0,1\n,1\n2,3\n", 3, "x_mm is missing"),
    ("x_mm,z_um\n0,1\n1,1 2\n", 3, 'z_um is "1 2", not a number'),
    ("x_mm,z_um\n0,1\n1,1_000\n", 3, 'z_um is "1_000", not a number'),
    ("x_mm,z_um\n0,1\n1,0x1p3\n", 3, 'z_um is "0x1p3", not a number'),
    ("x_mm,z_um\n0,1\n1,+-1\n", 3, 'z_um is "+-1", not a number'),
    ("x_mm,z_um\n0,1\n1,.\n", 3, 'z_um is ".", not a number'),
    ("x_mm,z_um\n0,1\n1,e5\n", 3, 'z_um is "e5", not a number'),
    ("x_mm,z_um\n0,1\n1,٣\n", 3, "not a number"),  # a digit, but not one that a gauge writes
    ("# spacing_um: 0.5\nz_um\n1\nnan\n", 4, 'z_um is "nan"; it must be a finite number'),
    ("# spacing_um: 0.5\nz_um\n1\n-Infinity\n", 4, 'z_um is "-Infinity"; it must be a finite number'),
    ("# spacing_um: 0.5\nz_um\n1\n1e999\n", 4, 'z_um is "1e999"; it must be a finite number'),
    ("x_mm,z_um\n0,1\n1,2\n# remark\n\n1,3\n", 6, "the position is 1.0 mm after 1.0 mm; positions must increase"),
    ("x_mm,z_um\n0,1\n2,2\n1,3\n", 4, "the position is 1.0 mm after 2.0 mm; positions must increase"),
    ("x_mm,z_um\n-1e308,1\n1e308,2\n", 2, "the position is -1e+308 mm; it must lie within ±1000000 mm"),
    ("# spacing_um: 0.5\nz_um\n1\n1000000.1\n", 4, "the height is 1e+06 µm; beyond ±1000000 µm"),
    ("# spacing_um: 0.5\nz_um\n\n1\n# x\n-2e9\n", 6, "the height is -2e+09 µm"),
    ("# spacing_um: half\nz_um\n1\n2\n", 1, 'spacing_um is "half"; it must be a number above 0'),
    ("# spacing_um: 0\nz_um\n1\n2\n", 1, "it must be a number above 0"),
    ("# part: 1\n# spacing_um: -0.5\nz_um\n1\n2\n", 2, "it must be a number above 0"),
    ("# spacing_um: inf\nz_um\n1\n2\n", 1, "it must be a number above 0"),
    ("# spacing_um: 0,5\nz_um\n1\n2\n", 1, "it must be a number above 0"),
    ("# spacing_um:\nz_um\n1\n2\n", 1, "it must be a number above 0"),
    ("# speed_mm_s: fast\n" + Z_ONLY, 1, 'speed_mm_s is "fast"; it must be a number above 0'),
    ("# tip_radius_um: 2 µm\n" + Z_ONLY, 1, 'tip_radius_um is "2 µm"; it must be a number above 0'),
    ("# spacing_um: 0.5\n# spacing_um: 0.6\nz_um\n1\n2\n", 2, '"spacing_um" is "0.6" here but "0.5" in line 1'),
    ("# spacing_um: 0.5\n" + WITH_X + "# spacing_um: 0.6\n", 6, '"spacing_um" is "0.6" here but "0.5" in line 1'),
    ("# spacing_um: 0.25\n" + WITH_X, 1, "spacing_um is 0.25, but the x_mm column has a mean spacing of 0.5 µm"),
    ("# part: x\n# spacing_um: 0.0005\n" + WITH_X, 2, "spacing_um is 0.0005, but the x_mm column"),
    ("<html>\n<body>\n", 1, '"<html>" is not a header row'),
    ("# spacing_um: 0.5\nz_um\n1\n" + "7" * 500 + "\n", 4, "the row has 500 characters"),
    ("# spacing_um: 0.5\nz_um\n1\n1e-" + "0" * 390 + "1\n2\n1e" + "0" * 5000 + "\n", 6, "the row has 5002 characters"),
    ("# " + "k" * 5000 + ": v\n" + Z_ONLY, 1, "at most 4096 are read"),
    ("".join(f"# k{i}: v\n" for i in range(300)) + Z_ONLY, 257, "more than 256 facts"),
])
def test_refused_with_line_and_reason(text, where, words):
    message = refusal(text)
    assert message.startswith(f"a.csv:{where}: ")
    assert words in message


@pytest.mark.parametrize(("data", "where", "words"), [
    (b"# part: f\xfcr\nz_um\n1\n2\n", 1, "byte 10 of the line is 0xFC, which is not UTF-8"),
    (b"# spacing_um: 0.5\r\nz_um\r\n1\r\n2\xb5\r\n", 4, "byte 2 of the line is 0xB5"),
    (b"z_um\n1\n2\xe2\x82", 3, "byte 2 of the line is 0xE2"),
    ("x_mm,z_um\n0,1\n".encode("utf-16"), 1, "UTF-16"),
    (b"\xfe\xff" + "z_um\n".encode("utf-16-be"), 1, "UTF-16"),
    (b"z_um\n1\n\0\0\0", 3, "there is a NUL byte: this is binary data"),
    (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", 3, "NUL byte"),
    (b"PK\x03\x04\x14\x08", 1, "is not a header row"),
    (bytes(range(1, 32)) + b"\n", 1, "is not a header row"),
])
def test_not_text_or_another_encoding(data, where, words):
    message = refusal(data)
    assert message.startswith(f"a.csv:{where}: ")
    assert words in message


def test_an_error_in_a_late_block_names_its_line():
    lines = ["x_mm,z_um", *(f"{i * 5e-4:.4f},0.123456789" for i in range(120_000))]
    assert sum(map(len, lines)) > 2 * csv_format._BLOCK_BYTES
    good = "\n".join(lines)
    assert read(good).points == 120_000
    for at in (1, 60_000, 120_000):
        bad = list(lines)
        bad[at] = "0.0,x"
        assert refusal("\n".join(bad)).startswith(f'a.csv:{at + 1}: z_um is "x"')
        bad[at] = "-1.0,0"
        if at > 1:
            assert refusal("\n".join(bad)).startswith(f"a.csv:{at + 1}: the position is -1.0 mm after")


def test_the_second_decimal_sign_may_come_in_another_block():
    lines = ["x_mm;z_um", *(f"{i};0,1234567890123456789" for i in range(60_000)), "60000;0.5"]
    assert refusal("\n".join(lines)).startswith("a.csv:60002: ")


def test_very_large_files_are_refused_with_the_cap(monkeypatch):
    data = b"# spacing_um: 0.5\nz_um\n" + b"1\n" * 100
    monkeypatch.setattr(common, "MAX_FILE_BYTES", 200)
    assert "at most 0 MiB and 4,000,000 points are read" in refusal(data)
    monkeypatch.setattr(common, "MAX_FILE_BYTES", 1000)
    monkeypatch.setattr(common, "MAX_POINTS", 50)
    assert "there are more than 50 points; at most that many are read" in refusal(data)
    monkeypatch.setattr(common, "MAX_POINTS", 100)
    assert read(data).points == 100


def test_the_real_cap():
    data = b"z_um\n" + b"1\n" * (common.MAX_FILE_BYTES // 2)
    assert "the file has 64.0 MiB; at most 64 MiB and 4,000,000 points are read" in refusal(data)
    assert "there are more than 4,000,000 points" in refusal(data[: 5 + 2 * 4_600_000])


def test_spacing_and_positions_that_agree_within_rounding():
    assert read("# spacing_um: 0.333\nx_mm,z_um\n0,0\n0.0003,0\n0.0007,0\n0.001,0\n").spacing_um == pytest.approx(1 / 3)


def test_coarsely_printed_positions_do_not_contradict_a_finer_spacing():
    # 1.4 µm printed in whole µm: 0, 1, 3; the mean of what is printed is 1.5 µm
    assert read("# spacing_um: 1.4\nx_mm,z_um\n0.000,0\n0.001,0\n0.003,0\n").spacing_um == 1.5
    assert "remove the wrong one" in refusal("# spacing_um: 1.4\nx_mm,z_um\n0.0000,0\n0.0010,0\n0.0030,0\n")


@given(st.binary(max_size=200))
def test_any_bytes_give_a_trace_or_one_clear_error(data):
    try:
        trace = read(data)
    except TraceFileError as error:
        assert str(error).startswith("a.csv:")  # noqa: PT017 - either outcome is right
    else:
        assert trace.points >= 2


LINES = st.sampled_from([
    "# spacing_um: 0.5", "# a: b", "z_um", "x_mm,z_um", "x_mm;z_um", "1", "2.5", "0,1", "1,2", "1;2", "0,5;1,5", "",
    "#", "nan", "x", "1e999", "1e-5,3", '"1"', "-0", "1,,2", " 3 ",
])


@given(st.lists(LINES, max_size=8), st.sampled_from(["\n", "\r\n"]))
def test_any_lines_give_a_trace_or_an_error_at_a_line_that_exists(lines, end):
    try:
        trace = read(end.join(lines))
    except TraceFileError as error:
        line = int(str(error).split(":")[1])
        assert 1 <= line <= max(1, len(lines))
    else:
        assert np.isfinite(trace.samples).all()


# -- written and read back -----------------------------------------------------------------------------------------

HEIGHTS = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40)
SPACINGS = st.floats(1e-6, 1e4, exclude_min=True)
TEXTS = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12)
FACTS = st.dictionaries(TEXTS.filter(lambda k: ":" not in k and k not in common.NUMERIC_FACTS), TEXTS,
                        max_size=5)


@given(HEIGHTS, SPACINGS, FACTS)
def test_heights_spacing_and_facts_read_back_bit_for_bit(heights_um, spacing_um, facts):
    trace = Trace(samples=np.array(heights_um), spacing_um=spacing_um, facts=facts)
    back = read(CsvFormat().write(trace))
    assert back.samples.tobytes() == trace.samples.tobytes()
    assert back.spacing_um == spacing_um
    assert back.facts == facts
    assert back.positions_mm is None


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40, unique=True), st.integers(0, 6))
def test_positions_read_back_bit_for_bit(positions, decimals):
    rounded = np.unique(np.round(positions, decimals)) + 0.0
    if rounded.size < 2:
        return
    trace = Trace(samples=np.arange(rounded.size, dtype=float), spacing_um=common.mean_spacing_um(rounded),
                  positions_mm=rounded, position_resolution_mm=float(f"1e-{decimals}"))
    back = read(CsvFormat().write(trace))
    assert back.positions_mm is not None
    assert back.positions_mm.tolist() == rounded.tolist()
    assert back.spacing_um == trace.spacing_um
    assert back.position_resolution_mm == trace.position_resolution_mm
    # and what was read is written as the same bytes
    assert CsvFormat().write(back) == CsvFormat().write(trace)


def test_positions_that_no_decimals_hold_are_written_in_full():
    positions = np.array([0.1 + 0.2, 0.5, math.pi])
    trace = Trace(samples=np.zeros(3), spacing_um=1.0, positions_mm=positions, position_resolution_mm=1e-3)
    assert read(CsvFormat().write(trace)).positions_mm.tolist() == positions.tolist()


def test_counts_are_written_as_heights():
    counts = np.array([1, 2, -3], dtype=np.int32)
    trace = Trace(samples=counts, spacing_um=0.5, calibration=Calibration(gain_um=0.1, offset_um=0.3))
    assert read(CsvFormat().write(trace)).samples.tolist() == trace.heights_um().tolist()


@pytest.mark.parametrize("facts", [
    {"a:b": "c"}, {"a": " c"}, {"a": "c\nd"}, {"a": "c\rd"}, {" a": "c"}, {"": "c"}, {"a": "c\0"},
    {"a": "x" * 5000}, {"spacing_um": "0.5"}, {str(i): "x" for i in range(300)},
])
def test_facts_that_would_not_read_back_are_refused(facts):
    with pytest.raises(TraceError, match=r"cannot be written to a CSV file|holds at most 256 facts"):
        CsvFormat().write(Trace(samples=np.zeros(3), spacing_um=0.5, facts=facts))


def test_a_numeric_fact_must_be_a_number():
    with pytest.raises(TraceError, match='speed_mm_s is "fast"; it must be a number above 0'):
        CsvFormat().write(Trace(samples=np.zeros(3), spacing_um=0.5, facts={"speed_mm_s": "fast"}))


@pytest.mark.parametrize("heights", [[1.0], [], [1.0, math.nan], [1.0, -math.inf], [2e6, 1.0]])
def test_heights_that_would_not_read_back_are_refused(heights):
    with pytest.raises(TraceError, match="CSV file"):
        CsvFormat().write(Trace(samples=np.array(heights), spacing_um=0.5))
