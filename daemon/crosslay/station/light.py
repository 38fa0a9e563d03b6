"""The reject light as a function of what happened and of time. Pure; the driver in `lamp.py` owns the hardware.

ACCEPT must be earned; REJECT is the rest state. This is not a safety function (ISO 13849, IEC 61508).
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from crosslay.ports import Outputs

#: REJECT after a fail, ACCEPT never flashes. Hz.
FAIL_FLASH_HZ = 2.0
#: FAULT while the broker or the MES is away. Hz.
OFFLINE_FLASH_HZ = 0.5
HEARTBEAT_HZ = 1.0


class Idle(enum.Enum):
    """What shows between parts."""

    REJECT = "reject"
    HOLD = "hold"


class Show(enum.Enum):
    """What the light says about the present part."""

    WAITING = "waiting"
    BUSY = "busy"
    MORE = "more"
    ACCEPTED = "accepted"
    FAILED = "failed"
    UNJUDGED = "unjudged"


class Block(enum.Enum):
    """Why nothing can be accepted, whatever the part."""

    STORE = "store"
    GAUGE = "gauge"
    PRECHECK = "precheck"
    """The part is not measured: it or the stylus stands wrong."""
    REFERENCE = "reference"
    """No reference check vouches for the gauge; it measures on."""
    CHECK = "check"
    """A reference check is being made."""
    STOPPING = "stopping"


#: Blocks under which the gauge is to go on measuring: a specimen, or a part whose result is invalid.
_MEASURES_ON = frozenset({Block.REFERENCE, Block.CHECK})


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPolicy:
    """``dwell_s``: how long ACCEPT shows; ``max_age_s``: a pass captured longer ago never lights it."""

    dwell_s: float
    max_age_s: float
    idle: Idle = Idle.REJECT


class LightLogic:
    """Not thread-safe. Times are monotonic seconds. A *ticket* names the part that a verdict belongs to."""

    def __init__(self, policy: LightPolicy) -> None:
        self._policy = policy
        self._show = Show.WAITING
        self._ticket = 0
        self._since = 0.0
        self._accept_until = 0.0
        self._committed = False
        self._blocks: dict[Block, str] = {}
        self._offline = False
        self._reason = "no part yet"

    def trigger(self, now: float) -> int:
        """A part arrives: ACCEPT goes at once. Returns its ticket."""
        self._ticket += 1
        self._set(Show.BUSY, now, "a part is being measured")
        return self._ticket

    def fail(self, ticket: int, now: float, reason: str) -> None:
        """The verdict is fail. Before the commit (L5)."""
        if ticket == self._ticket:
            self._set(Show.FAILED, now, reason)

    def unjudged(self, ticket: int, now: float, reason: str) -> None:
        """Undecided, invalid, incomplete, overrun or refused."""
        if ticket == self._ticket:
            self._set(Show.UNJUDGED, now, reason)

    def more(self, ticket: int, now: float, prompt: str) -> None:
        """The part needs another trace: REJECT, ready for it, whatever shows between parts."""
        if ticket == self._ticket:
            self._set(Show.MORE, now, prompt)

    def committed(self, ticket: int) -> None:
        """The result of the part is stored: the bit `result_valid` may say so."""
        if ticket == self._ticket:
            self._committed = True

    def accept(self, ticket: int, now: float, age_s: float) -> bool:
        """The verdict is pass and committed. Lights ACCEPT where L2 allows it; returns whether it did.

        Parameters
        ----------
        ticket
            A part that is no longer the present one lights nothing.
        now
            Monotonic seconds.
        age_s
            Seconds since the trace was captured.
        """
        if ticket != self._ticket:
            return False
        if not 0.0 <= age_s < self._policy.max_age_s:
            self._set(
                Show.WAITING,
                now,
                f"passed, but its trace was captured {age_s:.0f} s ago: no ACCEPT for a part of the past",
            )
            return False
        self._set(Show.ACCEPTED, now, "passed")
        self._committed = True
        self._accept_until = now + min(self._policy.dwell_s, self._policy.max_age_s - age_s)
        return True

    def dismiss(self, ticket: int, now: float, reason: str) -> None:
        """The part turns out to be none (a file found again): back to waiting."""
        if ticket == self._ticket:
            self._set(Show.WAITING, now, reason)

    def block(self, block: Block, reason: str) -> None:
        """Nothing can be accepted until `unblock`."""
        self._blocks[block] = reason

    def unblock(self, block: Block) -> None:
        """The hindrance is gone."""
        self._blocks.pop(block, None)

    def offline(self, *, away: bool) -> None:
        """The broker or the MES is away, or back."""
        self._offline = away

    @property
    def reason(self) -> str:
        """Why the light shows what it shows, one sentence for a person."""
        return "; ".join(self._blocks.values()) if self._blocks else self._reason

    def name(self, now: float) -> str:
        """What the light shows, in words."""
        if self._blocks or self._show is Show.UNJUDGED:
            return "REJECT and FAULT"
        if self._accepting(now):
            return "ACCEPT"
        if self._show is Show.FAILED:
            return "REJECT flashing"
        return "HOLD" if self._holding(now) else "REJECT"

    def outputs(self, now: float) -> Outputs:
        """Levels at this instant."""
        accept = self._accepting(now)
        blocked = bool(self._blocks)
        failed = self._show is Show.FAILED and not blocked
        fault = blocked or self._show is Show.UNJUDGED
        measures = _MEASURES_ON.issuperset(self._blocks)
        busy = self._show is Show.BUSY
        reject = not accept and not self._holding(now) and (not failed or _phase(now - self._since, FAIL_FLASH_HZ))
        return Outputs(
            accept=accept,
            reject=reject,
            fault=fault or (self._offline and _phase(now, OFFLINE_FLASH_HZ)),
            ready=measures and not busy,
            busy=measures and busy,
            result_valid=self._committed and not blocked and (accept or failed),
            accept_bit=accept,
            fault_bit=fault,
            heartbeat=_phase(now, HEARTBEAT_HZ),
            release=accept,
        )

    def next_change(self, now: float) -> float:
        """Monotonic time at which `outputs` changes next by itself; at most half a heartbeat away."""
        changes = [_next_edge(now, 0.0, HEARTBEAT_HZ)]
        if self._accepting(now):
            changes.append(self._accept_until)
        if self._show is Show.FAILED and not self._blocks:
            changes.append(_next_edge(now, self._since, FAIL_FLASH_HZ))
        return min(changes)

    def _accepting(self, now: float) -> bool:
        return self._show is Show.ACCEPTED and not self._blocks and now < self._accept_until

    def _holding(self, now: float) -> bool:
        resting = self._show is Show.WAITING or (self._show is Show.ACCEPTED and now >= self._accept_until)
        return self._policy.idle is Idle.HOLD and resting and not self._blocks

    def _set(self, show: Show, now: float, reason: str) -> None:
        self._show, self._since, self._reason, self._committed = show, now, reason, False


def _phase(elapsed_s: float, hertz: float) -> bool:
    """On in the first half of each period."""
    return (elapsed_s * hertz) % 1.0 < 0.5


def _next_edge(now: float, origin: float, hertz: float) -> float:
    half = 0.5 / hertz
    return origin + (math.floor((now - origin) / half) + 1) * half
