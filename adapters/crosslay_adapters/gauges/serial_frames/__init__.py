"""A gauge that sends binary frames over a serial port."""

from crosslay_adapters.gauges.serial_frames.gauge import SerialFramesGauge

__all__ = ["SerialFramesGauge"]
