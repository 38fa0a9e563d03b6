"""A gauge that sends text lines over a serial port."""

from crosslay_adapters.gauges.serial_line.gauge import SerialLineGauge

__all__ = ["SerialLineGauge"]
