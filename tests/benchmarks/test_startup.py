"""How fast the command answers, against a bare interpreter in the same run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

COMMAND = Path(sys.executable).with_name("crosslay")
ROUNDS = 21


def test_version_takes_at_most_three_bare_starts():
    commands = {"bare interpreter": [sys.executable, "-c", "pass"], "crosslay --version": [str(COMMAND), "--version"]}
    took_s: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(ROUNDS):  # in turns, so that whatever else the computer does meets both
        for name, command in commands.items():
            started = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            took_s[name].append(time.perf_counter() - started)
    medians_s = {name: statistics.median(each) for name, each in took_s.items()}
    bare_s, version_s = medians_s.values()
    print("\n" + ", ".join(f"{name} {median * 1000:.1f} ms" for name, median in medians_s.items())
          + f", ratio {version_s / bare_s:.2f}")
    assert version_s <= 3 * bare_s
