"""A light that only exists in the log."""
