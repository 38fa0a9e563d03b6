"""The command ``crosslay``: the verbs, and a way to ``--version`` that imports nothing.

A verb's module is imported only when the verb is called. It has two functions::

    def configure(parser: argparse.ArgumentParser) -> None     # add the arguments
    def run(arguments: argparse.Namespace) -> int              # do it; returns the exit code
"""

from __future__ import annotations

import sys

from crosslay import __version__

TYPE_CHECKING = False  # not from typing, whose import alone takes longer than a bare interpreter's start
if TYPE_CHECKING:
    from collections.abc import Sequence

#: Verb: module in ``crosslay.cli`` and one line of help.
VERBS: dict[str, tuple[str, str]] = {
    "run": ("run", "the daemon, in the foreground"),
    "status": ("status", "at the machine, without network: state, last part, reason behind a red light, backlog"),
    "check": ("check", "validate a station file and print what it amounts to"),
    "evaluate": ("evaluate", "evaluate trace files offline"),
    "settings": ("settings", "cut-off, lengths, tip, spacing and travel that a call-out asks for, and why"),
    "demo": ("demo", "the whole loop on this computer: simulated gauge, broker, MES consumer, light"),
    "specimen": ("specimen", "check the gauge on reference specimens, correct it, recall what passed meanwhile"),
    "backup": ("backup", "copy the stored results, beside a running daemon or without one"),
    "results": ("results", "list and show stored results, queue one again"),
}

_VERSION_WORDS = ("--version", "-V")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; bad input never ends in a traceback."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] and arguments[0] in _VERSION_WORDS:
        arguments = ["--version"]
        try:
            sys.stdout.write(f"crosslay {__version__}\n")
            sys.stdout.flush()
        except (OSError, AttributeError):  # closed, full, or none: said properly below
            pass
        else:
            return 0
    from crosslay.cli.dispatch import dispatch

    return dispatch(arguments, VERBS)


if __name__ == "__main__":
    sys.exit(main())
