"""A gauge that sends lines or frames over TCP."""

from crosslay_adapters.gauges.tcp_stream.gauge import TcpStreamGauge

__all__ = ["TcpStreamGauge"]
