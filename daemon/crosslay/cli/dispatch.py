"""From the words of a command line to an exit code: finds the verb's module and turns errors into sentences."""

from __future__ import annotations

import difflib
import importlib
import os
import sys
from collections.abc import Mapping
from typing import TextIO

from crosslay import __version__
from crosslay.errors import CrosslayError, UsageError

EXIT_INTERRUPTED = 130
"""128 + SIGINT, as a shell says it."""
EXIT_PIPE_CLOSED = 141
"""128 + SIGPIPE: the reader of our output went away. Not 1, which would say that a part failed."""

_HELP_WORDS = {"--help", "-h", "help"}


def dispatch(arguments: list[str], verbs: Mapping[str, tuple[str, str]]) -> int:
    """Run a command and return its exit code.

    Parameters
    ----------
    arguments
        Words after the command's name.
    verbs
        Verb: module in ``crosslay.cli`` and one line of help.
    """
    for stream in (sys.stdout, sys.stderr):
        _never_fail_to_encode(stream)
    try:
        return _run(arguments, verbs)
    except CrosslayError as error:
        _say(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        _abandon(sys.stdout)
        return EXIT_PIPE_CLOSED
    except OSError as error:
        # Verbs translate the faults of the files that they use, so this is standard output (a full disk behind >).
        _abandon(sys.stdout)
        where = f"{error.filename}: " if error.filename is not None else "standard output cannot be written: "
        _say(f"{where}{error.strerror or error}")
        return UsageError.exit_code


def _run(arguments: list[str], verbs: Mapping[str, tuple[str, str]]) -> int:
    first, *rest = arguments or [""]
    if first in verbs:
        return _run_verb(first, rest, verbs[first])
    if first == "--version":
        return _print(f"crosslay {__version__}\n")
    if first in _HELP_WORDS:
        return _print(_help(verbs))
    if not first:
        raise UsageError(f"crosslay needs a verb: {', '.join(verbs)}. `crosslay --help` says what each does.")
    raise UsageError(_unknown(first, verbs))


def _run_verb(verb: str, rest: list[str], entry: tuple[str, str]) -> int:
    from crosslay.cli.parser import make_parser, parse

    name, summary = entry
    module = importlib.import_module(f"crosslay.cli.{name}")
    parser = make_parser(verb, summary)
    module.configure(parser)
    namespace = parse(parser, rest)
    code: int = 0 if namespace is None else module.run(namespace)
    _flush()
    return code


def _print(text: str) -> int:
    if sys.stdout is not None:
        sys.stdout.write(text)
    _flush()
    return 0


def _flush() -> None:
    if sys.stdout is not None:
        sys.stdout.flush()


def _help(verbs: Mapping[str, tuple[str, str]]) -> str:
    width = max(map(len, verbs))
    lines = "\n".join(f"  {verb:<{width}}  {summary}" for verb, (_module, summary) in verbs.items())
    return (
        "crosslay VERB …: in-line surface texture, from the raw trace to the MES\n\n"
        f"{lines}\n\n"
        "`crosslay VERB --help` tells the rest; `crosslay --version` the version.\n"
    )


def _unknown(word: str, verbs: Mapping[str, tuple[str, str]]) -> str:
    near = difflib.get_close_matches(word, verbs, n=1)
    hint = f' Did you mean "{near[0]}"?' if near else ""
    kind = "option" if word.startswith("-") else "verb"
    return f'crosslay has no {kind} "{word}".{hint} Verbs: {", ".join(verbs)}.'


def _say(text: str) -> None:
    """Print on standard error, and carry on where there is none."""
    if sys.stderr is None:
        return
    try:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()
    except OSError:
        _abandon(sys.stderr)


def _never_fail_to_encode(stream: TextIO | None) -> None:
    """Let a terminal without λ or µ show a replacement rather than fail."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")


def _abandon(stream: TextIO | None) -> None:
    """Point a dead stream at nothing, so that the interpreter's last flush does not complain."""
    if stream is None:
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):  # not a real file: nothing will be flushed to a descriptor
        return
