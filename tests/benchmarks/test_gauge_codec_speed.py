"""How much faster the codecs of serial and TCP gauges are than the fastest usual line, 3,000,000 baud.

With start and stop bit a byte takes ten bits, so such a line carries 300,000 bytes a second.
"""

from __future__ import annotations

import time
from typing import Any

import pytest

from crosslay_adapters.gauges.framing.events import RawTrace
from crosslay_adapters.gauges.framing.frames import FrameCodec, FrameFormat
from crosslay_adapters.gauges.framing.lines import LineCodec, LineFormat
from gauge_streams import frames_of, lines_of
from station_harness import sine_um

LINE_BYTES_S = 3_000_000 / 10
CHUNK_BYTES = 4096
TRACES = 10
TYPES = {"start": 1, "data": 2, "end": 3}


@pytest.mark.parametrize(("name", "make", "data"), [
    ("lines", lambda: LineCodec(LineFormat(start="BEGIN", end="END")), lines_of(sine_um())),
    ("frames", lambda: FrameCodec(FrameFormat.model_validate({"types": TYPES})),
     b"".join(frames_of((sine_um() * 1e4).astype(int).tolist()))),
])
def test_a_codec_is_ten_times_as_fast_as_the_line(name: str, make: Any, data: bytes) -> None:
    best_s = float("inf")
    for _ in range(3):
        codec, traces = make(), 0
        began_s = time.perf_counter()
        for _ in range(TRACES):
            for place in range(0, len(data), CHUNK_BYTES):
                traces += sum(isinstance(event, RawTrace) for event in codec.feed(data[place : place + CHUNK_BYTES]))
        best_s = min(best_s, time.perf_counter() - began_s)
        assert traces == TRACES
    ratio = TRACES * len(data) / best_s / LINE_BYTES_S
    print(f"\n{name}: {TRACES * len(data):,} bytes in {best_s:.2f} s, {ratio:.0f} times 3 Mbaud")
    assert ratio >= 10
