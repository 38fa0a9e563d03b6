"""Topics of one station: the prefix of the station file and the leaves of contract version 1."""

from __future__ import annotations

from dataclasses import dataclass

RESULT = "v1/result"
ACK = "v1/result/ack"
STATE = "v1/state"
IDENTIFICATION = "v1/identification"
ANCHOR = "v1/anchor"
EVALUATION = "v1/evaluation"
CONDITION = "v1/condition"


@dataclass(frozen=True, slots=True)
class Topics:
    """Full topic names under one prefix, e.g. ``plant/shafts/line3/op30``."""

    prefix: str

    def __getitem__(self, leaf: str) -> str:
        return f"{self.prefix}/{leaf}"

    def condition(self, identifier: str) -> str:
        """Topic of one condition."""
        return f"{self.prefix}/{CONDITION}/{identifier}"
