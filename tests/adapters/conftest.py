"""The conformance suites live in the package; their asserts shall explain themselves as those of tests do."""

from __future__ import annotations

import pytest

pytest.register_assert_rewrite("crosslay.testing.gauge_conformance", "crosslay.testing.indicator_conformance")
