"""How often a fault campaign strikes: few times in every run, as often as the figures claim in a full campaign."""

from __future__ import annotations

import os


def campaign_count(name: str, *, short: int, full: int) -> int:
    """Number of repetitions of one campaign.

    Parameters
    ----------
    name
        Environment variable that decides alone where it is set, such as ``CROSSLAY_KILLS``.
    short, full
        Otherwise: the count of every run, and that of ``tests/run --campaign`` (``CROSSLAY_CAMPAIGN=1``).
    """
    text = os.environ.get(name)
    if text is not None:
        return int(text)
    return full if os.environ.get("CROSSLAY_CAMPAIGN") == "1" else short
