"""The gauge adapter ``serial-frames``: binary frames on a serial port."""

from __future__ import annotations

from typing import ClassVar, Self

from pydantic import model_validator

from crosslay.ports import AdapterConfig, GaugeContext
from crosslay_adapters.gauges.framing.frames import FrameCodec, FrameFormat
from crosslay_adapters.gauges.framing.gauge import StreamGauge, StreamOptions
from crosslay_adapters.gauges.framing.links import SerialLink, SerialOptions


class SerialFramesConfig(SerialOptions, StreamOptions):
    """Options of ``[gauge] adapter = "serial-frames"``."""

    frames: FrameFormat = FrameFormat()

    @model_validator(mode="after")
    def _every_byte_passes(self) -> Self:
        if self.flow_control == "xon-xoff":
            raise ValueError("xon-xoff takes the bytes 0x11 and 0x13 out of binary frames; use none or rts-cts")
        return self


class SerialFramesGauge(StreamGauge):
    """Binary frames, as the table ``[gauge.frames]`` describes them, from a serial port.

    Parameters
    ----------
    config
        The options.
    context
        Whom to tell that a traverse has begun.
    """

    Config: ClassVar[type[AdapterConfig]] = SerialFramesConfig
    name: ClassVar[str] = "serial-frames"

    def __init__(self, config: SerialFramesConfig, context: GaugeContext) -> None:
        frames = config.frames
        super().__init__(config, context, SerialLink(config), lambda: FrameCodec(frames),
                         (frames.start_bytes, frames.stop_bytes))
