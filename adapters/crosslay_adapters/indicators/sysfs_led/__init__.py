"""Lamps behind /sys/class/leds, or any directory of that shape."""

from crosslay_adapters.indicators.sysfs_led.indicator import SysfsLedConfig, SysfsLedIndicator

__all__ = ["SysfsLedConfig", "SysfsLedIndicator"]
