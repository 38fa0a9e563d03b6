"""Trace file formats."""
