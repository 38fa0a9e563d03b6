"""The gauge adapter ``serial-line``: text lines on a serial port."""

from __future__ import annotations

from typing import ClassVar

from crosslay.ports import AdapterConfig, GaugeContext
from crosslay_adapters.gauges.framing.gauge import StreamGauge, StreamOptions
from crosslay_adapters.gauges.framing.lines import LineCodec, LineFormat
from crosslay_adapters.gauges.framing.links import SerialLink, SerialOptions


class SerialLineConfig(SerialOptions, StreamOptions):
    """Options of ``[gauge] adapter = "serial-line"``."""

    lines: LineFormat = LineFormat()


class SerialLineGauge(StreamGauge):
    """Text lines, as the table ``[gauge.lines]`` describes them, from a serial port.

    Parameters
    ----------
    config
        The options.
    context
        Whom to tell that a traverse has begun.
    """

    Config: ClassVar[type[AdapterConfig]] = SerialLineConfig
    name: ClassVar[str] = "serial-line"

    def __init__(self, config: SerialLineConfig, context: GaugeContext) -> None:
        lines = config.lines
        super().__init__(config, context, SerialLink(config), lambda: LineCodec(lines),
                         (lines.start_bytes, lines.stop_bytes))
