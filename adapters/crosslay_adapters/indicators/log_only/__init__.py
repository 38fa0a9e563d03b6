"""A light that only exists in the log."""

from __future__ import annotations

from typing import ClassVar

import structlog

from crosslay.errors import IndicatorError
from crosslay.ports import REST, AdapterConfig, IndicatorContext, Outputs

__all__ = ["LogOnlyConfig", "LogOnlyIndicator"]


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
        self._said: dict[str, str | bool] = {}

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
        says = _meaning(outputs)
        if says != self._said:
            self._said = says
            self._log.info("light", **says)


def _meaning(outputs: Outputs) -> dict[str, str | bool]:
    """What the outputs say once flashing is taken away: a lamp that is not ACCEPT counts as REJECT, lit or not."""
    return {
        "lamp": "ACCEPT" if outputs.accept else "REJECT",
        "fault": outputs.fault_bit,
        "ready": outputs.ready,
        "busy": outputs.busy,
        "result_valid": outputs.result_valid,
        "accept": outputs.accept_bit,
        "release": outputs.release,
    }
