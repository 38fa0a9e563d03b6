"""The reject light on LEDs of the kernel."""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from crosslay.errors import IndicatorError
from crosslay.ports import REST, AdapterConfig, IndicatorContext, Outputs
from crosslay_adapters.indicators.sysfs_led.lamp import Lamp, on_sysfs


def _led_name(value: str) -> str:
    if not value or value in {".", ".."} or "/" in value or "\0" in value:
        raise ValueError('must be the name of one LED, a directory in folder, such as "tower:red:status"')
    return value


#: Name of an LED.
LedName = Annotated[str, AfterValidator(_led_name)]
Line = Literal["accept", "reject", "fault", "ready", "busy", "result_valid", "accept_bit", "fault_bit", "heartbeat",
               "release"]
_LINES: tuple[str, ...] = tuple(field.name for field in fields(Outputs))


class SysfsLedConfig(AdapterConfig):
    """Which LED shows which output; `reject` is needed, the others are optional.

    Attributes
    ----------
    folder
        Where the LEDs are.
    inverted
        Outputs that are wired the other way round: the LED is lit while the output is off.
    """

    folder: Annotated[str, Field(min_length=1)] = "/sys/class/leds"
    reject: LedName
    accept: LedName | None = None
    fault: LedName | None = None
    ready: LedName | None = None
    busy: LedName | None = None
    result_valid: LedName | None = None
    accept_bit: LedName | None = None
    fault_bit: LedName | None = None
    heartbeat: LedName | None = None
    release: LedName | None = None
    inverted: Annotated[tuple[Line, ...], Field(strict=False)] = ()

    @property
    def leds(self) -> dict[str, str]:
        """LED by output, those that are wired."""
        return {line: name for line in _LINES if (name := getattr(self, line)) is not None}

    @model_validator(mode="after")
    def _one_led_each(self) -> Self:
        owner: dict[str, str] = {}
        for line, name in self.leds.items():
            if name in owner:
                raise ValueError(f'{owner[name]} and {line} both name the LED "{name}"; each output needs its own')
            owner[name] = line
        unwired = [line for line in self.inverted if line not in self.leds]
        if unwired:
            raise ValueError(f"inverted names {unwired[0]}, which has no LED")
        return self


class SysfsLedIndicator:
    """Drives LEDs through ``brightness``; every line is written on its own and read back.

    Parameters
    ----------
    config
        Options.
    context
        What the station provides; a relative ``folder`` is relative to its ``base_dir``.
    """

    Config: ClassVar[type[SysfsLedConfig]] = SysfsLedConfig

    def __init__(self, config: SysfsLedConfig, context: IndicatorContext) -> None:
        folder = context.base_dir / config.folder
        self._lamps = {line: Lamp(folder, line, name, lit_when=line not in config.inverted)
                       for line, name in config.leds.items()}
        self._folder = folder
        self._open = False
        self._shown: Outputs | None = None  # None: not known, so every line is written

    @property
    def harmless(self) -> bool:
        """True where the folder and every LED, with links followed, lie outside the kernel's sysfs."""
        return not any(on_sysfs(path) for path in (self._folder, *(lamp.brightness for lamp in self._lamps.values())))

    @property
    def hardware_timeout_s(self) -> float | None:
        """None: an LED keeps its last state when the daemon dies."""
        return None

    def open(self) -> None:
        """Claim the LEDs, REJECT first, and show `REST`.

        A second call changes nothing, except after a fault: then everything is claimed again.

        Raises
        ------
        IndicatorError
            An LED is missing or cannot be driven.
        """
        if self._open and self._shown is not None:
            return
        self._open, self._shown = False, None
        trouble: IndicatorError | None = None
        for line in sorted(self._lamps, key=lambda name: name != "reject"):
            try:  # a missing lamp must not keep another one lit: whatever can go to rest does
                self._lamps[line].claim()
                self._lamps[line].drive(getattr(REST, line))
            except IndicatorError as error:
                trouble = trouble or error
        if trouble is not None:
            raise trouble
        self._open, self._shown = True, REST

    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        """Drive the lines that changed, or every one with `refresh`, in the order that keeps L3.

        Raises
        ------
        IndicatorError
            Not open, or a line cannot be driven. Every line that goes off has then been tried all the same, and
            ACCEPT has not been lit; the next call writes every line.
        """
        if not self._open:
            raise IndicatorError("the light is shown something before it was opened")
        self._drive(outputs, before=None if refresh else self._shown)

    def close(self) -> None:
        """Show `REST` and leave the LEDs so. A second call changes nothing.

        Raises
        ------
        IndicatorError
            A line cannot be driven; the indicator is closed all the same.
        """
        if self._open:
            self._open = False
            self._drive(REST, before=None)

    def _drive(self, outputs: Outputs, *, before: Outputs | None) -> None:
        self._shown = None
        trouble: IndicatorError | None = None
        for line, level in outputs.changes_from(before):
            lamp = self._lamps.get(line)
            if lamp is None or (trouble is not None and level):
                continue  # after a fault lines only go off, so that nothing claims what is not shown
            try:
                lamp.drive(level)
            except IndicatorError as error:
                trouble = trouble or error
        if trouble is not None:
            raise trouble
        self._shown = outputs
