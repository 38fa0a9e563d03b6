"""What the bus needs of the station around it."""

from __future__ import annotations

from typing import Protocol

from crosslay.bus.conditions import Conditions
from crosslay.bus.messages import ConfigurationMessage, IdentificationMessage, StateMessage
from crosslay.record.levels import Levels, Settled


class Host(Protocol):
    """What the pump needs of the station. Every method may be called from the pump thread."""

    conditions: Conditions

    def levels(self) -> Levels:
        """Where the store stands."""

    def settle(self, settled: Settled) -> None:
        """Hand acknowledgements to the recorder; it answers with `Pump.settled` once they are committed."""

    def next_session(self) -> int:
        """A session number that no connection had before (DC-62)."""

    def state(self, session_number: int, oldest_pending: float | None) -> StateMessage:
        """The present; `oldest_pending` is when the oldest undelivered result was created, seconds since the epoch."""

    def identification(self) -> IdentificationMessage:
        """Who this is."""

    def configuration(self) -> ConfigurationMessage:
        """What it judges by."""

    def count(self, name: str) -> None:
        """Add one to a counter."""

    def anchor_needed(self) -> bool:
        """Whether the broker may know more of this database than it does itself (not where this process made it)."""

    def request_renewal(self, text: str) -> None:
        """The database was rolled back: have it made anew; `Pump.renewed` says when that is done (DC-44)."""

    def beat(self) -> None:
        """Show the watchdog that the pump makes progress."""
