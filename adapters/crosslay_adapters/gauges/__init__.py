"""Gauges."""
