"""Reject lights."""
