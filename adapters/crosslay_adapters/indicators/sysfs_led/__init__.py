"""Lamps behind /sys/class/leds, or any directory of that shape."""
