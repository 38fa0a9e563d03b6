"""One tree of errors.

Foreign exceptions are translated once, where they arise, ``from`` the original. A message says what is wrong, where,
and what would be right; it is the text that a person sees, so it holds no secret and no traceback.
"""

from __future__ import annotations

from typing import ClassVar


class CrosslayError(Exception):
    """Root of every error that crosslay raises on purpose."""

    #: True where trying again later, unchanged, can succeed.
    retryable: ClassVar[bool] = False
    #: What a command that ends with this error exits with (page *interface*).
    exit_code: ClassVar[int] = 2


class UsageError(CrosslayError):
    """The command line asks for something that does not exist or does not fit together."""


class PlanError(CrosslayError):
    """The station file is wrong; the text carries the dotted path, the value given and the values allowed."""

    exit_code = 78


class CalloutError(CrosslayError):
    """A call-out cannot be read; the text says at which character and what was expected."""


class TraceError(CrosslayError):
    """A trace cannot be used."""


class TraceFileError(TraceError):
    """A trace file cannot be read; the text begins with ``file:line:``."""


class TraceTooShortError(TraceError):
    """The trace does not hold the evaluation length with its run-up and run-down; the text says what it needed."""


class SettingsError(CrosslayError):
    """Filter settings contradict each other or cannot be applied to this trace."""


class TraceRefusedError(CrosslayError):
    """A gauge received something that is not a trace. The gauge itself is well; the station counts and goes on."""


class GaugeError(CrosslayError):
    """The gauge cannot be opened or read. The supervisor opens it again with back-off."""

    retryable = True


class IndicatorError(CrosslayError):
    """The reject light cannot be driven."""

    retryable = True


class StoreError(CrosslayError):
    """The result store refused to read or commit."""


class StoreBusyError(StoreError):
    """Another daemon owns this state directory."""


class StoreWriteError(StoreError):
    """A commit failed (disk full, I/O error). Nothing of it is stored."""

    retryable = True


class StoreFullError(StoreWriteError):
    """The quota or the disk is used up by results that nobody has acknowledged (DC-50)."""


class StoreCorruptError(StoreError):
    """The database is damaged, or the copy of another one; it has to be set aside and made anew (DC-44)."""


class BusError(CrosslayError):
    """The broker link failed. The pump makes a new one."""

    retryable = True


class AdapterMissingError(CrosslayError):
    """No adapter of this name is installed; the text lists those that are and the extra to install."""

    exit_code = 78
