"""A light that only exists in the log."""

from __future__ import annotations

from typing import ClassVar

import structlog

from crosslay.errors import IndicatorError
from crosslay.ports import REST, AdapterConfig, IndicatorContext, Outputs

__all__ = ["LogOnlyConfig", "LogOnlyIndicator"]


#: Outputs whose every change means something.
_STEADY = ("accept", "ready", "busy", "result_valid", "accept_bit", "fault_bit", "release")
#: Lamps that may flash. The heartbeat, which only beats, is in neither list.
_FLASHING = ("reject", "fault")


class LogOnlyConfig(AdapterConfig):
    """No options."""


class LogOnlyIndicator:
    """Writes what a light would show to the log, one line per change of meaning; flashing and heartbeat are left out.

    Parameters
    ----------
    config
        Options (none).
    context
        What the station provides.
    """

    Config: ClassVar[type[LogOnlyConfig]] = LogOnlyConfig

    def __init__(self, config: LogOnlyConfig, context: IndicatorContext) -> None:
        self._config = config
        self._context = context
        self._log = structlog.get_logger("crosslay.light")
        self._open = False
        self._outputs = REST
        self._said: dict[str, bool] = {}

    @property
    def harmless(self) -> bool:
        """Always: nothing outside the log moves."""
        return True

    @property
    def hardware_timeout_s(self) -> float | None:
        """None: there is no hardware."""
        return None

    @property
    def outputs(self) -> Outputs:
        """Levels as they were shown last."""
        return self._outputs

    def open(self) -> None:
        """Show REJECT. A second call changes nothing."""
        if not self._open:
            self._open = True
            self._show(REST)

    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:  # noqa: ARG002 - nothing to write again
        """Log what changed.

        Raises
        ------
        IndicatorError
            The indicator is not open.
        """
        if not self._open:
            raise IndicatorError("the log-only light is shown something before it was opened")
        self._show(outputs)

    def close(self) -> None:
        """Show REJECT. A second call changes nothing."""
        if self._open:
            self._show(REST)
            self._open = False
            self._said = {}

    def _show(self, outputs: Outputs) -> None:
        self._outputs = outputs
        steady = {name: getattr(outputs, name) for name in _STEADY}
        lit = {name: getattr(outputs, name) for name in _FLASHING}
        if self._said and all(self._said[name] is level for name, level in steady.items()):
            # A lamp that goes dark and comes back is flashing: it counts as on until something else changes.
            lit = {name: self._said[name] or level for name, level in lit.items()}
        says = {**lit, **steady}
        if says != self._said:
            self._said = says
            self._log.info("light", **says)
