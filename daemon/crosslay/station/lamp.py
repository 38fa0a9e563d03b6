"""Drives the indicators with what the light logic says. Any thread reports; the main thread alone touches hardware."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from crosslay.bus.conditions import LIGHT_FAILED, Conditions
from crosslay.errors import IndicatorError
from crosslay.ports import Clock, Indicator, Outputs
from crosslay.station.light import LightLogic
from crosslay.station.supervisor import Failure, attempt

_T = TypeVar("_T")
_REFRESH_S = 1.0
_REOPEN_S = 1.0


class Lamp:
    """The light of one station.

    ``tell`` may be called from any thread and wakes the driver at once, so that a fail waits neither for disk nor for
    network (L5). ``drive`` and ``wait`` belong to the main thread.
    """

    def __init__(self, logic: LightLogic, indicators: list[Indicator], clock: Clock, conditions: Conditions) -> None:
        self._logic = logic
        self._indicators = indicators
        self._clock = clock
        self._conditions = conditions
        self._changed = threading.Condition()
        self._dirty = True
        self._away = False
        self._shown: Outputs | None = None
        self._refresh_at = 0.0
        self._failed: dict[int, str] = {}
        self._retry_at = 0.0
        timeouts = [item.hardware_timeout_s for item in indicators if item.hardware_timeout_s is not None]
        # L4: at least every third of the hardware timeout.
        self._refresh_s = min([_REFRESH_S, *(timeout / 3 for timeout in timeouts)])

    def tell(self, change: Callable[[LightLogic, float], _T]) -> _T:
        """Change the light's logic, e.g. ``lamp.tell(lambda light, now: light.trigger(now))``."""
        with self._changed:
            result = change(self._logic, self._clock.monotonic())
            self._dirty = True
            self._changed.notify()
        return result

    def wake(self) -> None:
        """End `wait`; safe in a signal handler, since the lock is re-entrant."""
        with self._changed:
            self._dirty = True
            self._changed.notify()

    def set_offline(self, *, away: bool) -> None:
        """The broker or the MES is away (FAULT flashes slowly), or back."""
        with self._changed:
            if away != self._away:
                self._away = away
                self._logic.offline(away=away)
                self._dirty = True

    def describe(self) -> tuple[str, str]:
        """What the light shows, in words, and why."""
        with self._changed:
            return self._logic.name(self._clock.monotonic()), self._logic.reason

    def open(self) -> None:
        """Claim the lines; one that fails is tried again by `drive`."""
        for number, indicator in enumerate(self._indicators):
            self._attempt(number, indicator.open)
        self._report()

    def close(self) -> None:
        """REJECT, then release the lines (L3)."""
        for number, indicator in enumerate(self._indicators):
            self._attempt(number, indicator.close)

    def drive(self) -> None:
        """Bring the hardware up to date where something changed or a refresh is due."""
        now = self._clock.monotonic()
        with self._changed:
            self._dirty = False
            outputs = self._logic.outputs(now)
        self._reopen_failed(now)
        refresh = now >= self._refresh_at
        if outputs == self._shown and not refresh:
            return
        for number, indicator in enumerate(self._indicators):
            if number not in self._failed:
                self._attempt(number, lambda shown=indicator: shown.show(outputs, refresh=refresh))  # type: ignore[misc]
        self._shown = outputs
        if refresh:
            self._refresh_at = now + self._refresh_s
        self._report()

    def wait(self, longest_s: float) -> None:
        """Sleep until the light changes, by itself or by `tell`, until a refresh is due, or `longest_s`."""
        with self._changed:
            if self._dirty:
                return
            now = self._clock.monotonic()
            until = min(now + longest_s, self._logic.next_change(now), self._refresh_at)
            self._changed.wait(max(0.0, until - now))

    def _reopen_failed(self, now: float) -> None:
        if not self._failed or now < self._retry_at:
            return
        self._retry_at = now + _REOPEN_S
        for number in list(self._failed):
            self._attempt(number, self._indicators[number].open)
        self._shown = None

    def _attempt(self, number: int, action: Callable[[], None]) -> None:
        def tried() -> str:
            try:
                action()
            except IndicatorError as error:
                return str(error)
            return ""

        outcome = attempt(tried)
        failure = f"failed unexpectedly ({outcome.text})" if isinstance(outcome, Failure) else outcome.value
        if failure:
            self._failed[number] = failure
        else:
            self._failed.pop(number, None)

    def _report(self) -> None:
        if self._failed:
            self._conditions.raise_(LIGHT_FAILED, "; ".join(self._failed.values()))
        else:
            self._conditions.clear(LIGHT_FAILED)
