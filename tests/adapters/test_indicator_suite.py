"""The conformance suite for lights finds what it is there to find: a broken light fails the test that is about it."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ConfigDict

from crosslay.errors import IndicatorError
from crosslay.ports import REST, IndicatorContext, Outputs
from crosslay.testing.indicator_conformance import IndicatorConformance, IndicatorRig

LINES = [field.name for field in fields(Outputs)]


class Wires:
    """A relay board in memory that remembers every write and can be unplugged."""

    def __init__(self) -> None:
        self.levels = dict.fromkeys(LINES, False)
        self.writes: list[str] = []
        self.unplugged = False

    def write(self, line: str, level: bool) -> None:
        if self.unplugged:
            raise OSError("no such device")
        self.levels[line] = level
        self.writes.append(line)


class GoodLight:
    """As the port asks; each broken light changes one thing of it."""

    class Config(BaseModel):
        model_config = ConfigDict(extra="forbid", frozen=True)
        board: int = 0

    wires: Wires
    harmless = True
    hardware_timeout_s: float | None = None

    def __init__(self, _config: Config, _context: IndicatorContext) -> None:
        self.is_open = False
        self.shown: Outputs | None = None

    def open(self) -> None:
        if not (self.is_open and self.shown):
            self.is_open = False
            self.write_all(REST.changes_from(None))
            self.is_open, self.shown = True, REST

    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        if not self.is_open:
            raise IndicatorError("closed")
        before, self.shown = (None if refresh else self.shown), None
        self.write_all(outputs.changes_from(before))
        self.shown = outputs

    def close(self) -> None:
        if self.is_open:
            self.is_open = False
            self.write_all(REST.changes_from(None))

    def write_all(self, changes: Iterator[tuple[str, bool]]) -> None:
        try:
            for line, level in changes:
                self.wires.write(line, level)
        except OSError as error:
            raise IndicatorError(str(error)) from error


class WritesInConstructor(GoodLight):
    def __init__(self, config: GoodLight.Config, context: IndicatorContext) -> None:
        super().__init__(config, context)
        self.wires.write("reject", True)


class TakesAnyOption(GoodLight):
    class Config(GoodLight.Config):
        model_config = ConfigDict(extra="allow")


class OptionsCanChange(GoodLight):
    class Config(GoodLight.Config):
        model_config = ConfigDict(frozen=False)


class WatchdogOff(GoodLight):
    hardware_timeout_s = 0.0


class OpensSilently(GoodLight):
    def open(self) -> None:
        self.is_open, self.shown = True, REST


class OpensBackwards(GoodLight):
    def open(self) -> None:
        if not (self.is_open and self.shown):
            self.write_all(iter([*REST.changes_from(None)][::-1]))
            self.is_open, self.shown = True, REST


class OpenResets(GoodLight):
    def open(self) -> None:
        self.shown = None
        super().open()


class ClosesSilently(GoodLight):
    def close(self) -> None:
        self.is_open = False


class ClosesAcceptFirst(GoodLight):
    def close(self) -> None:
        if self.is_open:
            self.wires.write("accept", False)
            super().close()


class ShowsBackwards(GoodLight):
    def write_all(self, changes: Iterator[tuple[str, bool]]) -> None:
        super().write_all(iter([*changes][::-1]))


class IgnoresRefresh(GoodLight):
    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        super().show(outputs)


class SmoothsFlashing(GoodLight):
    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        if outputs.reject or outputs.accept:
            super().show(outputs, refresh=refresh)


class ForgetsAnOutput(GoodLight):
    def write_all(self, changes: Iterator[tuple[str, bool]]) -> None:
        super().write_all((line, level) for line, level in changes if line != "heartbeat")


class ShowsWhenClosed(GoodLight):
    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        self.is_open = True
        super().show(outputs, refresh=refresh)


class LeaksForeignErrors(GoodLight):
    def write_all(self, changes: Iterator[tuple[str, bool]]) -> None:
        for line, level in changes:
            self.wires.write(line, level)


class SwallowsErrors(GoodLight):
    def write_all(self, changes: Iterator[tuple[str, bool]]) -> None:
        try:
            super().write_all(changes)
        except IndicatorError:
            return


class BelievesAfterFailure(GoodLight):
    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        if not self.is_open:
            raise IndicatorError("closed")
        before, self.shown = (None if refresh else self.shown), outputs
        self.write_all(outputs.changes_from(before))


class StaysOpenWhenClosingFails(GoodLight):
    def close(self) -> None:
        if self.is_open:
            self.write_all(REST.changes_from(None))
            self.is_open = False


class StaysClosedAfterFailure(GoodLight):
    broken = False

    def open(self) -> None:
        if self.broken:
            raise IndicatorError("still broken")
        self.broken = True
        super().open()
        self.broken = False


BROKEN: list[tuple[type[GoodLight], str]] = [
    (WritesInConstructor, "test_the_constructor_touches_nothing"),
    (TakesAnyOption, "test_options_that_do_not_exist_are_refused_by_name"),
    (OptionsCanChange, "test_options_do_not_change_afterwards"),
    (WatchdogOff, "test_a_hardware_timeout_is_positive"),
    (OpensSilently, "test_opening_shows_reject"),
    (OpensBackwards, "test_opening_shows_reject"),
    (OpenResets, "test_opening_an_open_light_keeps_what_it_shows"),
    (ClosesSilently, "test_closing_shows_reject_before_accept_is_released"),
    (ClosesAcceptFirst, "test_closing_shows_reject_before_accept_is_released"),
    (ShowsBackwards, "test_from_accept_to_reject"),
    (ShowsBackwards, "test_accept_goes_on_last"),
    (ShowsBackwards, "test_a_random_walk_shows_every_state"),
    (IgnoresRefresh, "test_a_refresh_writes_every_line_again"),
    (SmoothsFlashing, "test_a_flashing_lamp_goes_dark_and_comes_back"),
    (ForgetsAnOutput, "test_a_random_walk_shows_every_state"),
    (ShowsWhenClosed, "test_showing_on_a_closed_light_is_an_indicator_error"),
    (LeaksForeignErrors, "test_a_failure_is_an_indicator_error_and_heals"),
    (SwallowsErrors, "test_a_failure_is_an_indicator_error_and_heals"),
    (BelievesAfterFailure, "test_a_failure_is_an_indicator_error_and_heals"),
    (StaysClosedAfterFailure, "test_opening_what_is_broken_is_an_indicator_error_and_heals"),
    (OpensSilently, "test_after_a_failure_it_can_be_opened_without_closing"),
    (StaysOpenWhenClosingFails, "test_closing_after_a_failure_ends_closed"),
]


class WiresRig(IndicatorRig):
    def __init__(self, base_dir: Path, adapter: type[GoodLight]) -> None:
        super().__init__(base_dir)
        self.wires = Wires()
        self.adapter = type(adapter.__name__, (adapter,), {"wires": self.wires})  # type: ignore[misc]

    def options(self) -> dict[str, Any]:
        return {"board": 1}

    def lines(self) -> dict[str, bool]:
        return dict(self.wires.levels)

    def written(self) -> list[str]:
        writes, self.wires.writes = self.wires.writes, []
        return writes

    def disturb(self, levels: Any) -> bool:
        self.wires.levels.update(levels)
        return True

    def break_down(self) -> bool:
        self.wires.unplugged = True
        return True

    def repair(self) -> None:
        self.wires.unplugged = False


class TestGoodLight(IndicatorConformance):
    @pytest.fixture
    def rig(self, tmp_path: Path) -> IndicatorRig:
        return WiresRig(tmp_path, GoodLight)


def run(test: str, rig: IndicatorRig) -> None:
    """Call one test of the suite as pytest would, with an open light where it asks for one."""
    function: Callable[..., None] = getattr(IndicatorConformance(), test)
    if "light" not in inspect.signature(function).parameters:
        return function(rig)
    light = rig.make()
    light.open()
    rig.written()
    return function(rig, light)


@pytest.mark.parametrize(("light", "test"), BROKEN, ids=lambda item: getattr(item, "__name__", item))
def test_a_broken_light_is_found(tmp_path: Path, light: type[GoodLight], test: str) -> None:
    run(test, WiresRig(tmp_path, GoodLight))  # what is whole passes
    with pytest.raises((AssertionError, pytest.fail.Exception, OSError, IndicatorError)):
        run(test, WiresRig(tmp_path, light))
