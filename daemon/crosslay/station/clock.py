"""The computer's clocks, and whether the wall clock can be believed."""

from __future__ import annotations

import ctypes
import time

#: A wall clock before this is not set (boards without a clock battery start in 1970); seconds since the epoch, 2025.
_PLAUSIBLE_FROM_S = 1_735_689_600
_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


class _Timex(ctypes.Structure):
    """Head of ``struct timex`` (Linux, adjtimex(2)); the rest is only room."""

    _fields_ = (
        ("modes", ctypes.c_int),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_byte * 256),
    )


class SystemClock:
    """The `crosslay.ports.Clock` of a real station."""

    def monotonic(self) -> float:
        """Seconds, never backwards."""
        return time.monotonic()

    def wall(self) -> float:
        """Seconds since the epoch; may jump."""
        return time.time()

    def synchronized(self) -> bool:
        """Whether the kernel's clock is disciplined by a time service and not obviously wrong."""
        return time.time() >= _PLAUSIBLE_FROM_S and _kernel_synchronized()


def _kernel_synchronized() -> bool:
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return False
    state = _Timex()
    code = int(adjtimex(ctypes.byref(state)))
    return code not in {-1, _TIME_ERROR} and not state.status & _STA_UNSYNC
