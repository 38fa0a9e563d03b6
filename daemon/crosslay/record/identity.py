"""Identifiers of results: UUIDv7 at capture start, UUIDv5 from the trace's own identity (DC-04)."""

from __future__ import annotations

import secrets
import uuid

#: Namespace of derived result ids; fixed for ever, made with uuid4 once.
NAMESPACE = uuid.UUID("6f1d2a0e-6f8c-4f0e-9b43-0d4f6f1b9a57")


def new_result_id(wall_s: float) -> uuid.UUID:
    """UUID version 7: 48 bits of Unix milliseconds, 74 random bits.

    Parameters
    ----------
    wall_s
        Seconds since the epoch; a clock before 1970 counts as 1970.

    References
    ----------
    RFC 9562, section 5.7.
    """
    milliseconds = max(0, int(wall_s * 1000)) & ((1 << 48) - 1)
    random_a, random_b = secrets.randbits(12), secrets.randbits(62)
    return uuid.UUID(int=(milliseconds << 80) | (0x7 << 76) | (random_a << 64) | (0b10 << 62) | random_b)


def derived_result_id(source: str, identity: str) -> uuid.UUID:
    """UUID version 5 of a trace that came with an identity of its own; the same trace always gives the same id.

    Parameters
    ----------
    source
        The station's URI (DC-01), so that two stations fed the same file differ.
    identity
        The trace's own identity, not empty.
    """
    return uuid.uuid5(NAMESPACE, f"{source}\n{identity}")
