"""An argument parser that speaks in one sentence and takes call-outs such as ``-0.8/Ra 3.2`` for values."""

from __future__ import annotations

import argparse
import difflib
import re
from typing import NoReturn

from crosslay.errors import UsageError

#: No option of ours begins with a digit, a point or a comma, so such a word is a value (``-0.8/Ra 3.2``, ``-1``).
_VALUE_WITH_MINUS = re.compile(r"-[\d.,]")


class SentenceParser(argparse.ArgumentParser):
    """`argparse.ArgumentParser` whose errors are `UsageError` instead of a wall of usage and an exit."""

    def __init__(self, **options: object) -> None:
        super().__init__(allow_abbrev=False, **options)  # type: ignore[arg-type]
        self._negative_number_matcher = _VALUE_WITH_MINUS

    def error(self, message: str) -> NoReturn:
        """Raise what argparse would print."""
        raise UsageError(f"{self.prog}: {self._better(message)}. `{self.prog} --help` shows what there is.")

    def _better(self, message: str) -> str:
        unknown = message.removeprefix("unrecognized arguments: ")
        if unknown == message:
            return message
        options = [option for action in self._actions for option in action.option_strings]
        word = unknown.split()[0].split("=")[0]
        near = difflib.get_close_matches(word, options, n=1)
        hint = f'; did you mean "{near[0]}"' if near else ""
        return f'"{word if near else unknown}" is not understood{hint}'


def make_parser(verb: str, summary: str) -> argparse.ArgumentParser:
    """Parser of one verb, still without arguments."""
    return SentenceParser(prog=f"crosslay {verb}", description=summary[0].upper() + summary[1:] + ".")


def parse(parser: argparse.ArgumentParser, words: list[str]) -> argparse.Namespace | None:
    """Arguments, in any order; None where ``--help`` was printed.

    Raises
    ------
    UsageError
        The words do not fit the parser.
    """
    try:
        if parser._subparsers is not None:
            return parser.parse_args(words)
        # Options may stand between the trace files.
        return parser.parse_intermixed_args(words)
    except SystemExit as end:
        if end.code:
            raise UsageError(f"{parser.prog}: the arguments are not understood") from end
        return None
