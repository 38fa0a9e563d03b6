"""What every reject light must do, as tests that an adapter's author inherits.

Write a rig (how a test sees the lines from the other side) and a class::

    class LanternRig(IndicatorRig):
        adapter = LanternIndicator
        ...

    class TestLantern(IndicatorConformance):
        @pytest.fixture
        def rig(self, tmp_path):
            return LanternRig(tmp_path)

The rig stands for the real counterpart: the module, the relay board, the files. It must not ask the adapter what it
believes it has shown, except where there is no counterpart at all.
"""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, ClassVar

import pydantic
import pytest

from crosslay.errors import IndicatorError
from crosslay.ports import REST, Indicator, IndicatorContext, Outputs

#: The states that a station shows, and some that follow each other badly.
ACCEPTED = Outputs(accept=True, reject=False, ready=True, result_valid=True, accept_bit=True, release=True)
REJECTED = Outputs(reject=True, result_valid=True, ready=True)
FLASHED_OFF = Outputs(reject=False, result_valid=True, ready=True)
BUSY = Outputs(reject=True, busy=True)
FAULTY = Outputs(reject=True, fault=True, fault_bit=True)

_STEPS = 300


class IndicatorRig(ABC):
    """One adapter with valid options, and its counterpart.

    Parameters
    ----------
    base_dir
        Folder that stands for the station file's.
    """

    #: The class that the entry point names.
    adapter: ClassVar[Any]

    def __init__(self, base_dir: Path) -> None:
        self.base_dir = base_dir

    @abstractmethod
    def options(self) -> dict[str, Any]:
        """Valid options, as in the station file; with every output wired that the adapter knows."""

    @abstractmethod
    def lines(self) -> Mapping[str, bool]:
        """Level of each wired output now, as the counterpart sees it (names as in `Outputs`)."""

    @abstractmethod
    def written(self) -> list[str] | None:
        """Outputs whose lines were written since the last call, in order; None where all change in one instant."""

    def disturb(self, _levels: Mapping[str, bool]) -> bool:
        """Change lines behind the adapter's back; False where that cannot be."""
        return False

    def break_down(self) -> bool:
        """Let the counterpart fail, so that nothing can be written; False where it cannot fail."""
        return False

    def repair(self) -> None:  # noqa: B027 - what cannot fail needs no repair
        """Undo `break_down`."""

    def make(self, **changes: Any) -> Indicator:
        """Construct an indicator, not yet open, from `options` with `changes`."""
        config = self.adapter.Config.model_validate({**self.options(), **changes})
        made: Indicator = self.adapter(config, IndicatorContext(base_dir=self.base_dir))
        return made


def _visible(rig: IndicatorRig, outputs: Outputs) -> dict[str, bool]:
    return {line: bool(getattr(outputs, line)) for line in rig.lines()}


def _replay(rig: IndicatorRig, before: Mapping[str, bool], written: list[str]) -> list[dict[str, bool]]:
    """States of the lines after each single write, from the order of the writes and where they led to."""
    now, after = dict(before), rig.lines()
    states = []
    for line in written:
        now[line] = after[line]
        states.append(dict(now))
    return states


class IndicatorConformance:
    """The suite. Override the fixture `rig`."""

    @pytest.fixture
    def rig(self) -> IndicatorRig:
        """The adapter under test with its counterpart."""
        raise NotImplementedError("override the fixture rig with your IndicatorRig")

    @pytest.fixture
    def light(self, rig: IndicatorRig) -> Iterator[Indicator]:
        """An open indicator, closed again after the test."""
        indicator = rig.make()
        indicator.open()
        rig.written()
        yield indicator
        rig.repair()
        indicator.close()

    def test_it_is_an_indicator(self, rig: IndicatorRig) -> None:
        """It has what the port asks for."""
        assert isinstance(rig.make(), Indicator)

    def test_the_constructor_touches_nothing(self, rig: IndicatorRig) -> None:
        """Rule of the house: constructors do no I/O."""
        before = dict(rig.lines())
        rig.written()
        rig.make()
        assert dict(rig.lines()) == before
        assert not rig.written()

    def test_options_that_do_not_exist_are_refused_by_name(self, rig: IndicatorRig) -> None:
        """A typo in the station file must not go unseen."""
        with pytest.raises(pydantic.ValidationError, match="no_such_option"):
            rig.adapter.Config.model_validate({**rig.options(), "no_such_option": 1})

    def test_options_do_not_change_afterwards(self, rig: IndicatorRig) -> None:
        """Options are frozen."""
        config = rig.adapter.Config.model_validate(rig.options())
        for name in type(config).model_fields:
            with pytest.raises(pydantic.ValidationError):
                setattr(config, name, None)

    def test_it_says_whether_it_is_harmless(self, rig: IndicatorRig) -> None:
        """Simulated traces drive only a harmless light, so the answer must be plain."""
        assert rig.make().harmless in {True, False}

    def test_a_hardware_timeout_is_positive(self, rig: IndicatorRig) -> None:
        """L4: a timeout of 0 would be a watchdog that is switched off."""
        timeout_s = rig.make().hardware_timeout_s
        assert timeout_s is None or timeout_s > 0

    def test_reject_is_wired(self, rig: IndicatorRig) -> None:
        """A light that cannot say REJECT is none."""
        assert "reject" in rig.lines()
        assert set(rig.lines()) <= {field.name for field in fields(Outputs)}

    def test_opening_shows_reject(self, rig: IndicatorRig) -> None:
        """The rest state is REJECT, whatever the lines were before."""
        disturbed = rig.disturb(_visible(rig, ACCEPTED))
        before = dict(rig.lines())
        rig.written()
        indicator = rig.make()
        indicator.open()
        written = rig.written()
        assert dict(rig.lines()) == _visible(rig, REST)
        if written is not None:
            assert written[0] == "reject", "L3: REJECT is asserted before anything else"
        if written is not None and disturbed:
            for state in _replay(rig, before, written)[1:]:
                assert state["reject"]
        indicator.close()

    def test_opening_and_closing_twice(self, rig: IndicatorRig) -> None:
        """Both can be called twice, and the light can be opened again after that."""
        indicator = rig.make()
        for _ in range(2):
            indicator.open()
            indicator.open()
            indicator.show(ACCEPTED)
            assert dict(rig.lines()) == _visible(rig, ACCEPTED)
            indicator.close()
            indicator.close()
            assert dict(rig.lines()) == _visible(rig, REST)

    def test_opening_an_open_light_keeps_what_it_shows(self, rig: IndicatorRig, light: Indicator) -> None:
        """The second ``open`` is no reset: the station still believes in what it showed."""
        light.show(ACCEPTED)
        light.open()
        assert dict(rig.lines()) == _visible(rig, ACCEPTED)

    def test_closing_shows_reject_before_accept_is_released(self, rig: IndicatorRig) -> None:
        """L3: REJECT is asserted before a line is closed."""
        indicator = rig.make()
        indicator.open()
        indicator.show(ACCEPTED)
        before = dict(rig.lines())
        rig.written()
        indicator.close()
        written = rig.written()
        assert dict(rig.lines()) == _visible(rig, REST)
        if written is not None:
            for state in _replay(rig, before, written):
                assert state["reject"]

    def test_from_accept_to_reject(self, rig: IndicatorRig, light: Indicator) -> None:
        """L3: REJECT is asserted before ACCEPT is released, so that no moment shows neither."""
        light.show(ACCEPTED)
        before = dict(rig.lines())
        rig.written()
        light.show(REJECTED)
        assert dict(rig.lines()) == _visible(rig, REJECTED)
        written = rig.written()
        if written is not None:
            assert written[0] == "reject"
            for state in _replay(rig, before, written):
                assert state["reject"]

    def test_accept_goes_on_last(self, rig: IndicatorRig, light: Indicator) -> None:
        """What says pass is shown when everything else already agrees."""
        light.show(BUSY)
        rig.written()
        light.show(ACCEPTED)
        assert dict(rig.lines()) == _visible(rig, ACCEPTED)
        written = rig.written()
        if written is not None and "accept" in rig.lines():
            assert written[-1] == "accept"
            assert written.count("accept") == 1

    def test_a_random_walk_shows_every_state(self, rig: IndicatorRig, light: Indicator) -> None:
        """After each step the lines are what was asked for, and ACCEPT and REJECT are not both on (L1)."""
        chance = random.Random(20260302)  # noqa: S311 - no secret
        names = [field.name for field in fields(Outputs)]
        before = REST
        for _ in range(_STEPS):
            levels = {name: chance.random() < 0.5 for name in names}
            levels["accept"] = levels["accept"] and not levels["reject"]
            outputs = Outputs(**levels)
            start = dict(rig.lines())
            light.show(outputs, refresh=chance.random() < 0.2)
            lines = rig.lines()
            assert dict(lines) == _visible(rig, outputs)
            assert not (lines.get("accept") and lines["reject"])
            self._check_order(rig, start, before, outputs)
            before = outputs

    @staticmethod
    def _check_order(rig: IndicatorRig, start: Mapping[str, bool], before: Outputs, after: Outputs) -> None:
        written = rig.written()
        if written is None:
            return
        first_seen = {line: written.index(line) for line in written}
        last_seen = {line: len(written) - 1 - written[::-1].index(line) for line in written}
        if after.reject and not before.reject and "accept" in first_seen:
            assert first_seen["reject"] < first_seen["accept"]
        if after.accept and not before.accept and "reject" in last_seen:
            assert last_seen["reject"] < first_seen["accept"]
        changed = {line for line, level in rig.lines().items() if start[line] != level}
        assert changed <= set(written)

    def test_a_refresh_writes_every_line_again(self, rig: IndicatorRig, light: Indicator) -> None:
        """L4: what somebody or something else did to the lines is put right by the next refresh."""
        light.show(REJECTED)
        rig.written()
        light.show(REJECTED, refresh=True)
        written = rig.written()
        if written is not None:
            assert set(written) == set(rig.lines())
        if rig.disturb(_visible(rig, ACCEPTED)):
            light.show(REJECTED, refresh=True)
            assert dict(rig.lines()) == _visible(rig, REJECTED)

    def test_a_flashing_lamp_goes_dark_and_comes_back(self, rig: IndicatorRig, light: Indicator) -> None:
        """The station flashes by showing levels; nothing may be smoothed away."""
        for outputs in (REJECTED, FLASHED_OFF, REJECTED, FLASHED_OFF, FAULTY):
            light.show(outputs)
            assert dict(rig.lines()) == _visible(rig, outputs)

    def test_showing_on_a_closed_light_is_an_indicator_error(self, rig: IndicatorRig) -> None:
        """Before ``open`` and after ``close``; the lines do not move."""
        indicator = rig.make()
        before = dict(rig.lines())
        with pytest.raises(IndicatorError):
            indicator.show(ACCEPTED)
        assert dict(rig.lines()) == before
        indicator.open()
        indicator.close()
        with pytest.raises(IndicatorError):
            indicator.show(ACCEPTED)
        assert dict(rig.lines()) == _visible(rig, REST)

    def test_a_failure_is_an_indicator_error_and_heals(self, rig: IndicatorRig, light: Indicator) -> None:
        """The counterpart fails and comes back: a clear error each time, never a foreign one; then the light works."""
        light.show(ACCEPTED)
        if not rig.break_down():
            return  # nothing that could fail
        for _ in range(2):
            with pytest.raises(IndicatorError) as caught:
                light.show(REJECTED)
            assert str(caught.value)
            assert caught.value.retryable
        rig.repair()
        light.show(REJECTED)
        assert dict(rig.lines()) == _visible(rig, REJECTED)

    def test_after_a_failure_it_can_be_opened_without_closing(self, rig: IndicatorRig, light: Indicator) -> None:
        """The station does so while it waits for the light to come back; from then on the light rests and works."""
        light.show(ACCEPTED)
        if not rig.break_down():
            return  # nothing that could fail
        with pytest.raises(IndicatorError):
            light.show(REJECTED)
        with pytest.raises(IndicatorError):
            light.open()
        rig.repair()
        light.open()
        assert dict(rig.lines()) == _visible(rig, REST)
        light.show(ACCEPTED)
        assert dict(rig.lines()) == _visible(rig, ACCEPTED)

    def test_opening_what_is_broken_is_an_indicator_error_and_heals(self, rig: IndicatorRig) -> None:
        """The supervisor opens again with back-off; that must be able to succeed."""
        indicator = rig.make()
        if not rig.break_down():
            return  # nothing that could fail
        for _ in range(2):
            with pytest.raises(IndicatorError):
                indicator.open()
        rig.repair()
        indicator.open()
        assert dict(rig.lines()) == _visible(rig, REST)
        indicator.close()

    def test_closing_after_a_failure_ends_closed(self, rig: IndicatorRig) -> None:
        """``close`` may say that the lines cannot be driven, but it closes: the next ``open`` starts afresh."""
        indicator = rig.make()
        indicator.open()
        indicator.show(ACCEPTED)
        if not rig.break_down():
            indicator.close()
        else:
            with pytest.raises(IndicatorError):
                indicator.close()
            rig.repair()
        with pytest.raises(IndicatorError):
            indicator.show(ACCEPTED)
        indicator.close()
        indicator.open()
        assert dict(rig.lines()) == _visible(rig, REST)
        indicator.close()
