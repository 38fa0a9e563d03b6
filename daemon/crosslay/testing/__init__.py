"""Conformance suites and helpers for adapter authors and integrators."""
