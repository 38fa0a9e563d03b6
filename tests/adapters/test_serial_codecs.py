"""The two codecs of serial and TCP gauges: checksums, cuts, losses, noise, calibration; no port is opened."""

from __future__ import annotations

import itertools
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from campaign_counts import campaign_count
from crosslay.errors import TraceRefusedError
from crosslay.record.traces import pack, unpack
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.framing.checksums import CATALOGUE, checksum
from crosslay_adapters.gauges.framing.events import NONSENSE_BYTES, RawTrace, Refused, Started
from crosslay_adapters.gauges.framing.frames import (
    CobsDeframer,
    FrameCodec,
    FrameFormat,
    SyncDeframer,
    cobs_decoded,
)
from crosslay_adapters.gauges.framing.gauge import StreamOptions, built
from crosslay_adapters.gauges.framing.heights import HeightOptions, scaled
from crosslay_adapters.gauges.framing.lines import MAX_LINE_BYTES, LineCodec, LineFormat
from gauge_streams import crc_bitwise, frame, frames_of, lines_of, same_events, shown

CUTS = campaign_count("CROSSLAY_CUTS", short=200, full=10_000)
MUTATIONS = campaign_count("CROSSLAY_MUTATIONS", short=20_000, full=1_000_000)
#: Check values for the nine bytes "123456789", from the catalogue of parametrised CRC algorithms; from memory.
CHECK_VALUES = {
    "CRC-8/SMBUS": 0xF4, "CRC-8/ROHC": 0xD0, "CRC-8/AUTOSAR": 0xDF, "CRC-16/ARC": 0xBB3D, "CRC-16/MODBUS": 0x4B37,
    "CRC-16/XMODEM": 0x31C3, "CRC-16/CCITT-FALSE": 0x29B1, "CRC-16/GENIBUS": 0xD64E, "CRC-16/KERMIT": 0x2189,
    "CRC-16/ISO-HDLC": 0x906E, "CRC-16/DNP": 0xEA82, "CRC-32/ISO-HDLC": 0xCBF43926, "CRC-32/ISCSI": 0xE3069283,
    "CRC-32/BZIP2": 0xFC891918, "CRC-32/MPEG-2": 0x0376E6E7, "CRC-32/CKSUM": 0x765E7680,
}
MARKED = LineFormat(start="BEGIN", end="END", facts={"Part": "part", "Range": "range"})
TYPED = FrameFormat.model_validate({"types": {"start": 1, "data": 2, "end": 3}})


def whole(events: list[Any]) -> list[Any]:
    return [event for event in events if isinstance(event, RawTrace)]


def reasons(events: list[Any]) -> list[str]:
    return [event.reason for event in events if isinstance(event, Refused)]


# -- checksums ---------------------------------------------------------------------------------------------------------


def test_every_crc_has_a_check_value() -> None:
    assert set(CHECK_VALUES) == set(CATALOGUE)


@pytest.mark.parametrize("name", sorted(CHECK_VALUES))
def test_the_crc_gives_its_check_value(name: str) -> None:
    assert checksum(name).of(b"123456789") == CHECK_VALUES[name]


@pytest.mark.parametrize("name", sorted(CATALOGUE))
@settings(max_examples=30)
@given(data=st.binary(max_size=80))
def test_the_crc_is_the_division_done_bit_by_bit(name: str, data: bytes) -> None:
    crc = CATALOGUE[name]
    assert checksum(name).of(data) == crc_bitwise(data, bits=crc.bits, polynomial=crc.polynomial, initial=crc.initial,
                                                  final=crc.final, reflected=crc.reflected)


@given(data=st.binary(max_size=600))
def test_sums_and_exclusive_or(data: bytes) -> None:
    assert checksum("sum-8").of(data) == sum(data) % 256
    assert checksum("sum-16").of(data) == sum(data) % 65536
    expected = 0
    for byte in data:
        expected ^= byte
    assert checksum("xor-8").of(data) == expected


# -- cuts --------------------------------------------------------------------------------------------------------------


def busy_line() -> bytes:
    """Garbage, good and spoiled traces, lines without end: everything that text may hold."""
    noise = random.Random(4).randbytes(700)
    return b"".join([
        noise, b"\n", lines_of([1.5, -2.25, 3.0], "a"), b"boot message\r\n", lines_of([1.0, float("nan")], "b"),
        b"BEGIN\r\n1.0\r\n2.0\r\nBEGIN\n4.0\n5.0\nEND\n", b"7.5\n8.5\nEND\n", b"x" * 9000, b"\n",
        lines_of(np.linspace(0, 1, 40), "c"), b"BEGIN\n1\n2\n", b"9" * 5000, b"\nEND\n", lines_of([3, 4], "d"), noise,
    ])


def busy_frames() -> bytes:
    """Garbage, good and damaged traces, a duplicate, a false sync inside."""
    noise = random.Random(5).randbytes(400)
    good, lost, twice = frames_of(range(120), per_frame=20), frames_of(range(200)), frames_of(range(90))
    bad = bytearray(b"".join(frames_of(range(150))))
    bad[120] ^= 8
    return b"".join([noise, *good, b"\xa5\x5a\xff\xff", *lost[:2], *lost[3:], bytes(bad), *twice[:2], twice[1],
                     *twice[2:], b"\xa5" * 5000, *frames_of([0x5AA5] * 60), noise])


def fed(codec: Any, data: bytes, cuts: list[int]) -> list[Any]:
    events, places = [], sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    for begin, end in itertools.pairwise(places):
        events += codec.feed(data[begin:end])
    return events + codec.silence()


LINE_STREAM, FRAME_STREAM = busy_line(), busy_frames()
CUT_LISTS = st.lists(st.integers(0, 40_000), max_size=40)


def test_the_busy_streams_hold_good_and_bad_ones() -> None:
    lines = fed(LineCodec(MARKED), LINE_STREAM, [])
    assert [trace.facts["part"] for trace in whole(lines) if trace.facts] == ["a", "c", "d"]
    assert len(whole(lines)) == 4
    assert len(reasons(lines)) >= 5
    frames = fed(FrameCodec(TYPED), FRAME_STREAM, [])
    assert [trace.samples.size for trace in whole(frames)] == [120, 90, 60]
    assert len([text for text in reasons(frames) if "counter" in text]) == 2


@settings(max_examples=CUTS, deadline=None)
@given(cuts=CUT_LISTS)
def test_lines_say_the_same_however_they_are_cut(cuts: list[int]) -> None:
    assert same_events(fed(LineCodec(MARKED), LINE_STREAM, cuts), fed(LineCodec(MARKED), LINE_STREAM, []))


@settings(max_examples=CUTS, deadline=None)
@given(cuts=CUT_LISTS)
def test_frames_say_the_same_however_they_are_cut(cuts: list[int]) -> None:
    assert same_events(fed(FrameCodec(TYPED), FRAME_STREAM, cuts), fed(FrameCodec(TYPED), FRAME_STREAM, []))


@pytest.mark.parametrize(("make", "data"), [(lambda: LineCodec(MARKED), LINE_STREAM),
                                            (lambda: FrameCodec(TYPED), FRAME_STREAM)], ids=["lines", "frames"])
def test_one_byte_at_a_time(make: Any, data: bytes) -> None:
    assert same_events(fed(make(), data, list(range(len(data)))), fed(make(), data, []))


@settings(max_examples=CUTS, deadline=None)
@given(data=st.binary(max_size=3000))
def test_noise_never_raises_and_makes_no_trace_of_frames(data: bytes) -> None:
    for options in (TYPED, FrameFormat(framing="cobs", checksum="CRC-32/ISO-HDLC")):
        assert whole(fed(FrameCodec(options), data, [len(data) // 2])) == []
    fed(LineCodec(LineFormat()), data, [len(data) // 3])


# -- lines -------------------------------------------------------------------------------------------------------------


def line_events(data: bytes, **options: Any) -> list[Any]:
    codec = LineCodec(LineFormat.model_validate(options))
    return codec.feed(data) + codec.silence()


def test_positions_and_a_decimal_comma() -> None:
    rows = b"0,0000;1,5\n0,0005;-2,5\n0,0010;3,25\n"
    started, trace = line_events(rows, columns=["x_mm", "z"], separator=";", decimal=",")
    assert started == Started()
    assert trace.samples.tolist() == [1.5, -2.5, 3.25]
    assert trace.positions_mm.tolist() == [0.0, 0.0005, 0.001]
    assert trace.position_resolution_mm == 1e-4


def test_whole_numbers_stay_counts() -> None:
    trace = whole(line_events(b"D 5\nD -7\nD 9\n", row_prefix="D"))[0]
    assert trace.samples.dtype == np.int32
    assert trace.samples.tolist() == [5, -7, 9]


def test_a_checksum_by_hand() -> None:
    """The exclusive-or of "12" is 0x31 ^ 0x32 = 0x03, of "13" 0x02."""
    assert whole(line_events(b"12*03\n13*02\n", checksum="xor-8"))[0].samples.tolist() == [12, 13]
    assert "checksum" in reasons(line_events(b"12*03\n14*02\n13*02\n", checksum="xor-8"))[0]


@pytest.mark.parametrize(("data", "options", "what"), [
    (b"1.0\nnan\n", {}, '"nan", which is no row'),
    (b"1.0\n2.0.0\n", {}, 'row 2: z is "2.0.0"'),
    (b"1.0\n1_000\n", {}, "row 2: z"),
    (b"1.0\n1e999\n", {}, "row 2: z"),
    (b"1.0\n2,5\n", {}, "row 2: z"),
    (b"1,0\n2.5\n", {"decimal": ","}, "more than one decimal sign"),
    (b"1,2\n3\n", {"columns": ["counter", "z"]}, "row 2: \"3\" has 1 columns"),
    (b"1,2\n2,2\n4,2\n", {"columns": ["counter", "z"]}, "counter goes from 2 to 4 after row 2"),
    (b"1,2\n2,2\n2,2\n", {"columns": ["counter", "z"]}, "lost or sent twice"),
    (b"1,2\n1,3\n", {"columns": ["x_mm", "z"]}, "row 2: the position is"),
    (b"1.0\n", {}, "1 rows; it needs two"),
    (b"1.0\n2.0\n3.", {}, "silent in the middle of a row"),
    (b"BEGIN\n1\n2\n", {"start": "BEGIN", "end": "END"}, 'silent before the end mark "END"'),
    (b"1\n2\nEND\n", {"start": "BEGIN", "end": "END"}, "without the start mark"),
    (b"Range: A\n1\nRange: B\n2\n", {"facts": {"Range": "range"}}, ""),
    (b"1\nRange: A\n2\nRange: B\n", {"facts": {"Range": "range"}}, 'changed under way from "A" to "B"'),
    (b"1\n" + b"2" * (MAX_LINE_BYTES + 1) + b"\n3\n", {}, "more than 4096 bytes"),
])
def test_what_is_no_trace_is_refused_with_the_place(data: bytes, options: dict[str, Any], what: str) -> None:
    events = line_events(data, **options)
    if what:
        assert whole(events) == []
        assert what in " ".join(reasons(events))
    else:  # the first fact came before the trace began
        assert whole(events)[0].facts == {"range": "B"}


def test_a_minute_of_nonsense_is_said_and_forgotten() -> None:
    """115,200 baud carry 11,520 bytes a second; a wrong speed makes noise of them."""
    codec = LineCodec(MARKED)
    noise = random.Random(6).randbytes(60 * 11_520)
    said = codec.feed(noise) + codec.silence()
    assert whole(said) == []
    assert 1 <= len(reasons(said)) <= len(noise) // NONSENSE_BYTES + 2
    assert any("speed" in text for text in reasons(said))
    assert [trace.facts["part"] for trace in whole(codec.feed(lines_of([1, 2], "after")))] == ["after"]


def test_nothing_grows_without_a_line_end() -> None:
    codec = LineCodec(MARKED)
    for _ in range(100):
        codec.feed(b"q" * 60_000)
    assert len(codec._tail) <= MAX_LINE_BYTES


# -- frames ------------------------------------------------------------------------------------------------------------


def test_cobs_by_the_examples_of_its_authors() -> None:
    """Cheshire and Baker, Consistent Overhead Byte Stuffing, 1999; vectors from memory."""
    run = bytes(range(1, 255))
    for coded, plain in ((b"\x01\x01", b"\0"), (b"\x01\x01\x01", b"\0\0"), (b"\x03\x11\x22\x02\x33", b"\x11\x22\0\x33"),
                         (b"\xff" + run, run), (b"\x05\x11\x22\x33\x44", b"\x11\x22\x33\x44")):
        assert cobs_decoded(coded) == plain
    for broken in (b"\x05\x11", b"\x02", b"\x01\x00"):
        assert cobs_decoded(broken) is None


def cobs_coded(plain: bytes) -> bytes:
    """Encode, one group at a time."""
    coded = bytearray()
    groups = plain.split(b"\0")
    for index, group in enumerate(groups):
        rest = group
        while len(rest) >= 254:
            coded += b"\xff" + rest[:254]
            rest = rest[254:]
            if not rest and index == len(groups) - 1:
                return bytes(coded)
        coded += bytes([len(rest) + 1]) + rest
    return bytes(coded)


@given(plain=st.binary(max_size=900) | st.integers(0, 900).map(lambda n: b"\x07" * n))
def test_cobs_gives_back_what_was_coded(plain: bytes) -> None:
    coded = cobs_coded(plain)
    assert 0 not in coded
    assert cobs_decoded(coded) == plain


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(("sample", "values"), [
    ("int16", [0, 1, -1, 32767, -32768]), ("int24", [0, 1, -1, 8388607, -8388608]),
    ("int32", [0, 1, -1, 2**31 - 1, -(2**31)]), ("float32", [0.0, 1.5, -2.25, 1e-3, 3e5]),
])
def test_samples_with_an_encoder_in_cobs(sample: str, values: list[Any], order: str) -> None:
    import struct

    sign = "<" if order == "little" else ">"
    payload = b""
    for place, value in enumerate(values):
        wide = struct.pack(sign + ("f" if sample == "float32" else "i"), value)
        width = {"int16": 2, "int24": 3}.get(sample, 4)
        payload += struct.pack(sign + "i", 10 * place) + (wide[:width] if order == "little" else wide[4 - width :])
    body = struct.pack(sign + "H", 0) + payload
    check = crc_bitwise(body, bits=32, polynomial=0x04C11DB7, initial=2**32 - 1, final=2**32 - 1, reflected=True)
    options = FrameFormat.model_validate({"framing": "cobs", "checksum": "CRC-32/ISO-HDLC", "sample": sample,
                                          "encoder": "int32", "encoder_um": 0.05, "byte_order": order})
    codec = FrameCodec(options)
    trace = whole(codec.feed(cobs_coded(body + struct.pack(sign + "I", check)) + b"\0") + codec.silence())[0]
    assert trace.samples.tolist() == np.array(values, dtype="f4" if sample == "float32" else "i8").tolist()
    assert trace.positions_mm == pytest.approx(5e-4 * np.arange(5), abs=1e-15)


def test_fixed_length_and_a_number_of_points() -> None:
    options = FrameFormat.model_validate({"length_bytes": 0, "payload_bytes": 8, "points": 4, "checksum": "sum-8",
                                          "counter_bytes": 1})
    frames = [b"\xa5\x5a" + body + bytes([sum(body) % 256])
              for body in (bytes([n]) + np.array([n, -n], "<i4").tobytes() for n in (255, 0, 1, 2))]
    traces = whole(FrameCodec(options).feed(b"".join(frames)))
    assert [trace.samples.tolist() for trace in traces] == [[255, -255, 0, 0], [1, -1, 2, -2]]


@pytest.mark.parametrize(("pieces", "what"), [
    (lambda f: f[:2] + f[3:], "1 frames were lost"),
    (lambda f: [*f[:2], f[3], f[2], *f[4:]], "the counter goes from"),
    (lambda f: f[1:], "without a start frame"),
    (lambda f: f[:-1], "silent before the end frame"),
    (lambda f: [*f[:3], f[3][:20]], "silent before the end frame"),
    (lambda f: f[:-1] + frames_of([1, 2]), "next start frame came before"),
    (lambda f: [f[0], frame(2, 1, b"123")], "no multiple of 4"),
    (lambda f: [f[0], frame(3, 1, b"")], "fewer than two samples"),
])
def test_what_is_no_trace_of_frames_is_refused(pieces: Any, what: str) -> None:
    codec = FrameCodec(TYPED)
    events = codec.feed(b"".join(pieces(frames_of(range(300))))) + codec.silence()
    assert what in " ".join(reasons(events))


def test_a_counter_that_wraps_and_a_frame_that_comes_twice_are_no_loss() -> None:
    pieces = frames_of(range(300), first=65533)
    doubled = [piece for piece in pieces for _ in range(2)]
    traces = whole(FrameCodec(TYPED).feed(b"".join(doubled)))
    assert [trace.samples.tolist() for trace in traces] == [list(range(300))]


def test_after_damage_the_next_frames_are_found() -> None:
    """Resynchronised within two frames: of the frames after one damaged byte at most one is lost."""
    chance = random.Random(7)
    for _ in range(300):
        frames = [frame(2, n, chance.randbytes(chance.choice([0, 4, 40, 200]))) for n in range(8)]
        place = chance.randrange(len(frames[0]) + len(frames[1]))
        stream = bytearray(b"".join(frames))
        how = chance.randrange(3)
        if how == 0:
            stream[place] ^= chance.randrange(1, 256)
        elif how == 1:
            del stream[place]
        else:
            stream.insert(place, chance.randrange(256))
        deframer = SyncDeframer(TYPED)
        bodies = [piece for piece in deframer.feed(bytes(stream)) + deframer.silence() if isinstance(piece, bytes)]
        sent = [piece[4:-2] for piece in frames]
        assert bodies[-6:] == sent[2:]
        assert len(bodies) >= 7


@pytest.mark.campaign
@pytest.mark.parametrize(("framing", "name"), [("sync", "CRC-8/SMBUS"), ("sync", "CRC-16/CCITT-FALSE"),
                                               ("sync", "CRC-32/ISO-HDLC"), ("cobs", "CRC-16/KERMIT")])
def test_no_more_damaged_frames_pass_than_the_checksum_lets_through(framing: Any, name: str) -> None:
    options = FrameFormat(framing=framing, checksum=name, counter_bytes=2)
    check, chance, wrong = checksum(name), random.Random(8), 0
    deframer: Any = (SyncDeframer if framing == "sync" else CobsDeframer)(options)
    for _ in range(MUTATIONS):
        body = chance.randbytes(18)
        plain = body + check.of(body).to_bytes(check.bits // 8, "little")
        if framing == "sync":
            plain = b"\x10\x00" + body
            sent = bytearray(b"\xa5\x5a" + plain + check.of(plain).to_bytes(check.bits // 8, "little"))
        else:
            sent = bytearray(cobs_coded(plain) + b"\0")
        for place in chance.sample(range(len(sent)), chance.randint(2, 8)):
            sent[place] ^= chance.randrange(1, 256)
        found = deframer.feed(bytes(sent)) + deframer.silence()
        wrong += any(isinstance(piece, bytes) and piece != body for piece in found)
    assert wrong <= max(2 * MUTATIONS / 2**check.bits, 2 if check.bits < 32 else 0)


# -- heights -----------------------------------------------------------------------------------------------------------

COUNTS = np.array([-1000, 0, 1000, 2000], dtype=np.int32)


def calibrated(samples: Any = COUNTS, facts: dict[str, str] | None = None, **options: Any) -> Trace:
    stream = StreamOptions(spacing_um=0.5, heights=HeightOptions.model_validate(options))
    return built(stream, RawTrace(samples, facts=facts or {}), 1.7e9)


@pytest.mark.parametrize(("options", "facts", "expected_um"), [
    ({"gain_um": 0.001}, {}, [-1, 0, 1, 2]),
    ({"gain_um": 0.001, "offset_um": 5.0}, {}, [4, 5, 6, 7]),
    ({"gain_um": 0.001, "offset_um": 5.0, "direction": "down"}, {}, [-4, -5, -6, -7]),
    ({"polynomial_um": [1.0, 0.001, 1e-6]}, {}, [1, 1, 3, 7]),
    ({"polynomial_um": [1.0, 0.001, 1e-6], "direction": "down"}, {}, [-1, -1, -3, -7]),
    ({"table": [[-1000, -2.0], [0, 0.0], [4000, 4.0]]}, {}, [-2, 0, 1, 2]),
    ({"range_gains_um": {"A": 0.001, "B": 0.01}}, {"range": "B"}, [-10, 0, 10, 20]),
])
def test_heights_by_hand_and_again_from_what_is_stored(options: Any, facts: Any, expected_um: Any) -> None:
    trace = calibrated(facts=facts, unit="counts", **options)
    assert trace.heights_um() == pytest.approx(np.array(expected_um, dtype=float), abs=1e-12)
    packed = pack(trace)
    stored = unpack(packed.data, packed.sha256)
    assert stored.heights_um().tobytes() == trace.heights_um().tobytes()
    assert stored.sample_range == trace.sample_range


def test_overload_codes_become_the_end_of_the_range() -> None:
    trace = calibrated(np.array([5, 32767, -32768, 7], dtype=np.int32), unit="counts", gain_um=0.01,
                       range=[-30000, 30000], over_codes=[32767], under_codes=[-32768])
    assert trace.samples.tolist() == [5, 30000, -30000, 7]
    assert trace.sample_range == (-30000, 30000)
    assert trace.facts["overloads"] == "2"


def test_units_of_length() -> None:
    assert calibrated(np.array([0.001, 0.5]), unit="mm").heights_um().tolist() == [1.0, 500.0]
    assert calibrated(np.array([1000.0, 5.0]), unit="nm").heights_um() == pytest.approx(np.array([1.0, 0.005]))


@pytest.mark.parametrize(("samples", "options", "facts", "what"), [
    (np.array([1.0, np.nan]), {}, {}, "sample 2 of 2 (nan) is no number"),
    (np.array([1.0, 2e6]), {}, {}, "beyond ±1000000 µm"),
    (COUNTS, {"unit": "counts", "gain_um": 1.0, "range": [-1500, 1500]}, {}, "sample 4 of 4 (2000) lies outside"),
    (COUNTS, {"unit": "counts", "table": [[0, 0.0], [9000, 9.0]]}, {}, "beyond the linearity table"),
    (COUNTS, {"unit": "counts", "range_gains_um": {"A": 1.0}}, {"range": "C"}, 'says range "C"'),
    (COUNTS, {"unit": "counts", "range_gains_um": {"A": 1.0}}, {}, "said no range"),
    (COUNTS, {"unit": "counts", "gain_um": 1.0}, {"points": "5"}, "announced 5 samples, and 4 came"),
    (COUNTS, {"unit": "counts", "gain_um": 1.0}, {"spacing_um": "-1"}, 'spacing_um is "-1"'),
])
def test_heights_that_cannot_be_are_refused(samples: Any, options: Any, facts: Any, what: str) -> None:
    with pytest.raises(TraceRefusedError) as caught:
        calibrated(samples, facts=facts, **options)
    assert what in str(caught.value)


@pytest.mark.parametrize(("model", "options", "what"), [
    (HeightOptions, {"unit": "counts"}, "exactly one of"),
    (HeightOptions, {"unit": "counts", "gain_um": 1.0, "table": [[0, 0.0], [1, 1.0]]}, "exactly one of"),
    (HeightOptions, {"unit": "um", "gain_um": 1.0}, "belong to counts"),
    (HeightOptions, {"unit": "counts", "gain_um": 0.0}, "gain of 0"),
    (HeightOptions, {"unit": "counts", "gain_um": 1.0, "over_codes": [1]}, "need range"),
    (HeightOptions, {"unit": "counts", "table": [[1, 0.0], [1, 1.0]]}, "must increase"),
    (HeightOptions, {"range": [2, 1]}, "lowest, highest"),
    (LineFormat, {"columns": ["x_mm"]}, '"z" once'),
    (LineFormat, {"columns": ["x_mm", "z"], "decimal": ","}, "could not be taken apart"),
    (LineFormat, {"start": "X", "end": "X"}, "tell them apart"),
    (LineFormat, {"checksum": "CRC-7"}, "is no checksum; possible are"),
    (FrameFormat, {"checksum": "CRC-7"}, "is no checksum; possible are"),
    (FrameFormat, {"length_bytes": 0}, "give payload_bytes"),
    (FrameFormat, {"encoder": "int32"}, "belong together"),
    (FrameFormat, {"types": {"start": 1, "data": 1, "end": 2}}, "three different"),
    (FrameFormat, {"sync": "A5Z0"}, "pattern"),
])
def test_options_that_do_not_fit_together_are_refused(model: Any, options: Any, what: str) -> None:
    with pytest.raises(ValidationError, match=what):
        model.model_validate(options)


def test_scaling_leaves_the_gauges_own_array_alone() -> None:
    before = COUNTS.copy()
    scaled(HeightOptions(unit="counts", gain_um=0.001), COUNTS, {})
    assert np.array_equal(COUNTS, before)
    assert shown(Started()) == Started()
