"""LEDs of the kernel, on directories shaped like /sys/class/leds."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path
from typing import Any

import pydantic
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crosslay.errors import IndicatorError
from crosslay.ports import REST, IndicatorContext, Outputs
from crosslay.testing.indicator_conformance import ACCEPTED, BUSY, REJECTED, IndicatorConformance, IndicatorRig
from crosslay_adapters.indicators.sysfs_led import SysfsLedIndicator
from led_class import LedFolder

LINES = [field.name for field in fields(Outputs)]
NAMES = {line: f"tower:{line}" for line in LINES}


class LedRig(IndicatorRig):
    adapter = SysfsLedIndicator
    inverted: tuple[str, ...] = ()
    full = 1

    def __init__(self, base_dir: Path) -> None:
        super().__init__(base_dir)
        self.leds = LedFolder(base_dir / "leds", NAMES, full=self.full, inverted=self.inverted)

    def options(self) -> dict[str, Any]:
        return {"folder": "leds", **NAMES, "inverted": list(self.inverted)}

    def lines(self) -> Mapping[str, bool]:
        return self.leds.levels()

    def written(self) -> list[str] | None:
        return self.leds.written()

    def disturb(self, levels: Mapping[str, bool]) -> bool:
        self.leds.set(levels)
        return True

    def break_down(self) -> bool:
        (self.base_dir / "leds").rename(self.base_dir / "unplugged")
        return True

    def repair(self) -> None:
        if (self.base_dir / "unplugged").exists():
            (self.base_dir / "unplugged").rename(self.base_dir / "leds")


class InvertedRig(LedRig):
    inverted = ("reject", "heartbeat", "accept")
    full = 255


class _Conformance(IndicatorConformance):
    kind: type[LedRig]

    @pytest.fixture
    def rig(self, tmp_path: Path) -> Iterator[IndicatorRig]:
        rig = self.kind(tmp_path)
        yield rig
        rig.leds.close()


class TestSysfsLed(_Conformance):
    kind = LedRig


class TestSysfsLedInverted(_Conformance):
    kind = InvertedRig


@contextmanager
def light_on(folder: Path, **options: Any) -> Iterator[SysfsLedIndicator]:
    light = make(folder, **options)
    light.open()
    yield light
    light.close()


def make(folder: Path, **options: Any) -> SysfsLedIndicator:
    wired = {"reject": NAMES["reject"], "accept": NAMES["accept"]} | options
    config = SysfsLedIndicator.Config.model_validate({"folder": str(folder), **wired})
    return SysfsLedIndicator(config, IndicatorContext(base_dir=folder.parent))


@pytest.fixture
def leds(tmp_path: Path) -> Iterator[LedFolder]:
    folder = LedFolder(tmp_path / "leds", {line: NAMES[line] for line in ("reject", "accept")}, full=255,
                       trigger="none [timer] heartbeat\n")
    yield folder
    folder.close()


def test_brightness_is_the_maximum_or_zero(leds: LedFolder) -> None:
    with light_on(leds.folder) as light:
        assert leds.brightness("reject").read_text() == "255\n"
        assert leds.brightness("accept").read_text() == "0\n"
        light.show(ACCEPTED)
        assert leds.brightness("reject").read_text() == "0\n"
        assert leds.brightness("accept").read_text() == "255\n"


def test_a_driver_without_a_maximum_gets_255(leds: LedFolder) -> None:
    """LED_FULL of the kernel's LED class, include/linux/leds.h."""
    leds.brightness("reject").with_name("max_brightness").unlink()
    with light_on(leds.folder):
        assert leds.brightness("reject").read_text() == "255\n"


def test_triggers_are_switched_off_and_stay_off(leds: LedFolder) -> None:
    trigger = leds.brightness("reject").with_name("trigger")
    with light_on(leds.folder) as light:
        assert trigger.read_text().split()[0] == "none"
        trigger.write_text("none timer [heartbeat]\n")
        light.show(REST, refresh=True)
        assert trigger.read_text() == "none\n"


def test_an_led_without_a_trigger_file_works(leds: LedFolder) -> None:
    leds.brightness("reject").with_name("trigger").unlink()
    with light_on(leds.folder):
        assert leds.levels()["reject"]


def test_only_changes_are_written(leds: LedFolder) -> None:
    with light_on(leds.folder) as light:
        light.show(REJECTED)
        leds.written()
        light.show(REJECTED)
        assert leds.written() == []
        light.show(BUSY)  # neither lamp changes
        assert leds.written() == []


def test_leds_that_are_not_wired_are_left_alone(leds: LedFolder) -> None:
    leds.set({"accept": True})
    with light_on(leds.folder, accept=None) as light:
        light.show(ACCEPTED)
        assert leds.levels() == {"reject": False, "accept": True}


def test_a_missing_led_is_named_with_those_that_are_there(leds: LedFolder) -> None:
    with pytest.raises(IndicatorError) as caught:
        make(leds.folder, accept="tower:green").open()
    assert str(leds.folder / "tower:green") in str(caught.value)
    assert "tower:accept, tower:reject" in str(caught.value)
    assert "accept" in str(caught.value)
    assert leds.levels()["reject"], "REJECT shows although the other LED is missing"


def test_a_missing_reject_led_does_not_keep_accept_lit(leds: LedFolder) -> None:
    leds.set({"accept": True})
    leds.unplug("reject")
    with pytest.raises(IndicatorError, match="tower:reject"):
        make(leds.folder).open()
    assert leds.levels() == {"accept": False}


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(IndicatorError, match=r"no folder .*nowhere"):
        make(tmp_path / "nowhere").open()


def test_an_unplugged_led_is_an_error_until_it_is_back(leds: LedFolder) -> None:
    with light_on(leds.folder) as light:
        light.show(ACCEPTED)
        leds.unplug("reject")
        with pytest.raises(IndicatorError, match="tower:reject/"):
            light.show(REJECTED)
        assert leds.levels() == {"accept": False}, "ACCEPT goes off although REJECT cannot be shown"
        leds.plug_in("reject")
        light.open()
        assert leds.levels() == {"reject": True, "accept": False}


def test_accept_is_not_lit_when_reject_cannot_be_released(leds: LedFolder) -> None:
    with light_on(leds.folder) as light:
        leds.unplug("reject")
        with pytest.raises(IndicatorError):
            light.show(ACCEPTED)
        assert leds.levels() == {"accept": False}
        leds.plug_in("reject")


@pytest.mark.parametrize("text", ["", "bright", "0", "-1", "1.5"])
def test_a_nonsense_maximum_is_refused(leds: LedFolder, text: str) -> None:
    leds.brightness("reject").with_name("max_brightness").write_text(text)
    with pytest.raises(IndicatorError, match="max_brightness"):
        make(leds.folder).open()


def test_an_led_that_does_not_obey_is_noticed(leds: LedFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """/dev/zero swallows every write; what is read back then is not what was written."""
    with light_on(leds.folder) as light:
        path = leds.brightness("reject")
        real_open = os.open

        def elsewhere(name: Any, flags: int, *more: Any, **named: Any) -> int:
            return real_open("/dev/zero" if Path(name) == path else name, flags, *more, **named)

        light.show(ACCEPTED)
        with monkeypatch.context() as patched:
            patched.setattr(os, "open", elsewhere)
            patched.setattr(os, "ftruncate", lambda *_: None)
            with pytest.raises(IndicatorError, match='reads "0" after 255 was written'):
                light.show(REJECTED)


def test_what_is_not_a_plain_file_is_refused(leds: LedFolder) -> None:
    leds.brightness("reject").unlink()
    os.mkfifo(leds.brightness("reject"))
    with pytest.raises(IndicatorError, match="not a plain file"):
        make(leds.folder).open()


@contextmanager
def as_nobody() -> Iterator[None]:
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_permission_denied_says_who_and_what_to_do() -> None:
    folder = Path(tempfile.mkdtemp(prefix="leds-"))
    try:
        folder.chmod(0o755)
        (folder / "red").mkdir(mode=0o755)
        brightness = folder / "red" / "brightness"
        brightness.write_text("0\n")
        brightness.chmod(0o444)
        with as_nobody(), pytest.raises(IndicatorError) as caught:
            make(folder, reject="red", accept=None).open()
        text = str(caught.value)
        assert str(brightness) in text
        assert "permission denied" in text
        assert "mode 0444" in text
        assert "udev rule" in text
        (folder / "red").chmod(0o000)
        with as_nobody(), pytest.raises(IndicatorError, match="permission denied"):
            make(folder, reject="red", accept=None).open()
    finally:
        (folder / "red").chmod(0o755)
        shutil.rmtree(folder)


def test_outside_sys_it_is_harmless(leds: LedFolder) -> None:
    assert make(leds.folder).harmless is True


@pytest.mark.parametrize("folder", ["/sys/class/leds", "/sys/../sys/devices/nowhere", "/proc/self/root/sys/class/leds"])
def test_on_sys_it_is_not_harmless(folder: str) -> None:
    assert make(Path(folder)).harmless is False


def test_links_into_sys_are_followed(leds: LedFolder, tmp_path: Path) -> None:
    leds.unplug("accept")
    (leds.folder / NAMES["accept"]).symlink_to("/sys/class/leds/green")
    assert make(leds.folder).harmless is False
    (tmp_path / "link").symlink_to("/sys/class/leds")
    assert make(tmp_path / "link").harmless is False


def test_a_relative_folder_is_relative_to_the_station_file(leds: LedFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    config = SysfsLedIndicator.Config.model_validate({"folder": "leds", "reject": NAMES["reject"]})
    light = SysfsLedIndicator(config, IndicatorContext(base_dir=leds.folder.parent))
    light.open()
    assert leds.levels()["reject"]
    light.close()


@pytest.mark.parametrize(("options", "text"), [
    ({}, "reject"),
    ({"reject": "a", "accept": "a"}, "each output needs its own"),
    ({"reject": "../gpio"}, "name of one LED"),
    ({"reject": ".."}, "name of one LED"),
    ({"reject": ""}, "name of one LED"),
    ({"reject": 3}, "string"),
    ({"reject": "a", "inverted": ["accept"]}, "has no LED"),
    ({"reject": "a", "inverted": ["lamp"]}, "accept"),
    ({"reject": "a", "folder": ""}, "folder"),
])
def test_wrong_options_are_explained(options: dict[str, Any], text: str) -> None:
    with pytest.raises(pydantic.ValidationError, match=text):
        SysfsLedIndicator.Config.model_validate(options)


LEVELS = st.fixed_dictionaries({line: st.booleans() for line in LINES})


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.tuples(LEVELS, st.booleans()), min_size=1, max_size=15))
def test_no_single_write_ever_shows_neither_lamp_on_the_way_to_reject(
        tmp_path: Path, steps: list[tuple[dict[str, bool], bool]]) -> None:
    """L1 and L3 at every single write, as inotify saw them: neither dark on the way to REJECT nor ACCEPT too early."""
    folder = tmp_path / "leds"
    shutil.rmtree(folder, ignore_errors=True)
    leds = LedFolder(folder, NAMES)
    with light_on(folder, **NAMES) as light:
        for levels, refresh in steps:
            outputs = Outputs(**{**levels, "accept": levels["accept"] and not levels["reject"]})
            before = leds.levels()
            leds.written()
            light.show(outputs, refresh=refresh)
            after, now = leds.levels(), dict(before)
            assert after == {line: getattr(outputs, line) for line in LINES}
            for line in leds.written():
                now[line] = after[line]
                if outputs.reject:
                    assert now["reject"]
                if line == "accept" and after["accept"] and not before["accept"]:
                    assert now == after, "ACCEPT goes on when everything else already agrees"
    leds.close()
