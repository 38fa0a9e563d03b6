"""The gauge adapter ``tcp-stream``: text lines or binary frames over a TCP connection."""

from __future__ import annotations

from typing import ClassVar, Self

from pydantic import model_validator

from crosslay.ports import AdapterConfig, GaugeContext
from crosslay_adapters.gauges.framing.events import Codec
from crosslay_adapters.gauges.framing.frames import FrameCodec, FrameFormat
from crosslay_adapters.gauges.framing.gauge import StreamGauge, StreamOptions
from crosslay_adapters.gauges.framing.lines import LineCodec, LineFormat
from crosslay_adapters.gauges.framing.links import TcpLink, TcpOptions


class TcpStreamConfig(TcpOptions, StreamOptions):
    """Options of ``[gauge] adapter = "tcp-stream"``: one of `lines` and `frames`."""

    lines: LineFormat | None = None
    frames: FrameFormat | None = None

    @model_validator(mode="after")
    def _one_layout(self) -> Self:
        if (self.lines is None) == (self.frames is None):
            raise ValueError("give one of the tables gauge.lines and gauge.frames: what does the gauge send?")
        return self

    def codec(self) -> Codec:
        """Make a codec for what the gauge sends."""
        if self.frames is not None:
            return FrameCodec(self.frames)
        return LineCodec(self.lines or LineFormat())


class TcpStreamGauge(StreamGauge):
    """Lines or frames from a TCP connection that this station makes, and makes again when it breaks.

    Parameters
    ----------
    config
        The options.
    context
        Whom to tell that a traverse has begun.
    """

    Config: ClassVar[type[AdapterConfig]] = TcpStreamConfig
    name: ClassVar[str] = "tcp-stream"

    def __init__(self, config: TcpStreamConfig, context: GaugeContext) -> None:
        layout = config.frames or config.lines or LineFormat()
        super().__init__(config, context, TcpLink(config), config.codec, (layout.start_bytes, layout.stop_bytes))
