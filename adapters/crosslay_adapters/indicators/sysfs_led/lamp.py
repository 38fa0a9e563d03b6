"""One LED of the kernel's LED class: a directory with ``brightness``, ``max_brightness`` and ``trigger``."""

from __future__ import annotations

import errno
import grp
import os
import pwd
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from crosslay.errors import IndicatorError

_SYSFS = Path("/sys")
#: What the kernel takes where a driver states no maximum (LED_FULL).
_FULL = 255


def on_sysfs(path: Path) -> bool:
    """True where a path, with every link followed, lies on the kernel's sysfs, wherever that is mounted."""
    real = path.resolve()
    if real.is_relative_to(_SYSFS):
        return True
    try:
        # Where nothing is mounted there (a container), /sys is an ordinary folder of an ordinary file system.
        return _SYSFS.is_mount() and real.stat().st_dev == _SYSFS.stat().st_dev
    except OSError:
        return False


class Lamp:
    """One LED that is either dark or at full brightness.

    Parameters
    ----------
    folder
        Where the LEDs are.
    line
        Output that it shows (for texts).
    name
        Name of the LED: a directory in `folder`.
    lit_when
        Level of the output at which the LED is lit: True, or False where the wiring inverts.
    """

    def __init__(self, folder: Path, line: str, name: str, *, lit_when: bool) -> None:
        self._folder = folder
        self._line = line
        self._name = name
        self._lit_when = lit_when
        self._full = _FULL
        self._plain = False  # an ordinary file, which must be cut to length

    @property
    def brightness(self) -> Path:
        """File that holds the brightness."""
        return self._folder / self._name / "brightness"

    def claim(self) -> None:
        """Find the LED and learn what full brightness is.

        Raises
        ------
        IndicatorError
            No such LED, or no permission.
        """
        with _explained(self.brightness, self._line):
            self._find()
            self._full = self._maximum()
            self._plain = not on_sysfs(self.brightness)

    def drive(self, level: bool) -> None:  # noqa: FBT001 - a line has two levels
        """Take the LED from any kernel trigger, write a level and read it back.

        Raises
        ------
        IndicatorError
            It cannot be written, or something else holds the LED.
        """
        lit = level is self._lit_when
        value = self._full if lit else 0
        with _explained(self.brightness, self._line):
            self._take()
            self._write(self.brightness, f"{value}\n")
            back = self.brightness.read_text("ascii", "replace").strip()
        if not back.isdecimal() or (int(back) > 0) is not lit:
            raise IndicatorError(f'{self.brightness} for {self._line} reads "{back}" after {value} was written; '
                                 "something else drives this LED: a trigger, another program, a broken lamp driver")

    def _take(self) -> None:
        """Choose the trigger ``none`` where another one drives the LED; the kernel leaves it dark then."""
        trigger = self.brightness.with_name("trigger")
        if trigger.exists() and _active(trigger.read_text("ascii", "replace")) != "none":
            self._write(trigger, "none\n")

    def _write(self, path: Path, text: str) -> None:
        """One write call, into the file that is there: none is made, and none is emptied first."""
        descriptor = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
        try:
            os.write(descriptor, text.encode("ascii"))
            if self._plain:
                os.ftruncate(descriptor, len(text))
        finally:
            os.close(descriptor)

    def _find(self) -> None:
        if not self._folder.is_dir():
            raise IndicatorError(f"there is no folder {self._folder} for the lamp {self._line}; "
                                 "folder must name a directory like /sys/class/leds")
        if not self.brightness.exists():
            there = ", ".join(sorted(_leds(self._folder))) or "no LED"
            raise IndicatorError(f'there is no LED "{self._name}" for {self._line}: {self.brightness} is missing; '
                                 f"{self._folder} holds {there}")
        if not stat.S_ISREG(self.brightness.stat().st_mode):
            raise IndicatorError(f"{self.brightness} for {self._line} is not a plain file as the kernel's LEDs have it")

    def _maximum(self) -> int:
        path = self.brightness.with_name("max_brightness")
        if not path.exists():
            return _FULL
        text = path.read_text("ascii", "replace").strip()
        if not text.isdecimal() or int(text) < 1:
            raise IndicatorError(f'{path} for {self._line} holds "{text}"; a whole number above 0 is expected')
        return int(text)


def _leds(folder: Path) -> Iterator[str]:
    for entry in folder.iterdir():
        if (entry / "brightness").exists():
            yield entry.name


def _active(triggers: str) -> str:
    """The chosen one of the kernel's list ``none [timer] heartbeat``."""
    words = triggers.split()
    chosen = [word[1:-1] for word in words if word.startswith("[") and word.endswith("]")]
    return (chosen or words or [""])[0]


@contextmanager
def _explained(path: Path, line: str) -> Iterator[None]:
    """Turn what the operating system says into what a person can act on."""
    try:
        yield
    except PermissionError as error:
        raise IndicatorError(f"{error.filename or path} for {line}: permission denied for {_user()}{_owner(path)}; "
                             "let a udev rule hand brightness and trigger to the daemon's group "
                             "(README of sysfs_led)") from error
    except OSError as error:
        hint = ("; a service that systemd starts with ProtectKernelTunables=yes sees /sys read-only"
                if error.errno == errno.EROFS else "")
        raise IndicatorError(f"{path} for {line} cannot be driven: {error.strerror or error}{hint}") from error


def _user() -> str:
    try:
        return f"user {pwd.getpwuid(os.geteuid()).pw_name}"
    except KeyError:
        return f"user {os.geteuid()}"


def _owner(path: Path) -> str:
    try:
        status = path.stat()
    except OSError:
        return ""
    try:
        group = grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        group = str(status.st_gid)
    return f" (group {group}, mode {stat.S_IMODE(status.st_mode):04o})"
