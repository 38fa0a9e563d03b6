"""A folder into which a gauge or its software drops trace files."""

from crosslay_adapters.gauges.file_drop.gauge import FileDropConfig, FileDropGauge

__all__ = ["FileDropConfig", "FileDropGauge"]
