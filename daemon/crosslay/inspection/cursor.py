"""A place in a text that is read character by character, and the words to say what is wrong there."""

from __future__ import annotations

import math
from typing import NoReturn

from crosslay.errors import CalloutError

BLANKS = " \t\u00a0\u202f"
DIGITS = "0123456789"


class Cursor:
    """A place in a text, and the words to say what is wrong there."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.place = 0

    @property
    def at_end(self) -> bool:
        """Whether everything is read."""
        return self.place >= len(self.text)

    def peek(self, ahead: int = 0) -> str:
        """Look at a character without stepping over it; "" beyond the end."""
        place = self.place + ahead
        return self.text[place] if place < len(self.text) else ""

    def blanks(self) -> bool:
        """Skip blanks; whether there were any."""
        start = self.place
        while not self.at_end and self.peek() in BLANKS:
            self.place += 1
        return self.place > start

    def take(self, word: str) -> bool:
        """Step over `word` if it is here."""
        found = self.text.startswith(word, self.place)
        if found:
            self.place += len(word)
        return found

    def take_any(self, characters: str) -> str:
        """Step over one of `characters`; which one, else ""."""
        found = self.peek()
        if found and found in characters:
            self.place += 1
            return found
        return ""

    def run(self, characters: str) -> str:
        """Step over as many of `characters` as there are."""
        start = self.place
        while not self.at_end and self.peek() in characters:
            self.place += 1
        return self.text[start : self.place]

    def word_here(self) -> str:
        """What stands here up to the next blank or ``;``, for error texts."""
        end = self.place
        while end < len(self.text) and self.text[end] not in BLANKS + ";":
            end += 1
        return self.text[self.place : end] or self.text[self.place : self.place + 1]

    def fail(self, expected: str) -> NoReturn:
        """Raise `CalloutError` for this place, counted from 1."""
        found = f'found "{self.word_here()}"' if not self.at_end else "found the end"
        raise CalloutError(f"character {self.place + 1}: expected {expected}, {found}")

    def number(self, expected: str) -> float:
        """A decimal number with point or comma, without exponent or sign."""
        start = self.place
        number = float(self.decimal(expected))
        if number == math.inf:
            self.place = start
            self.fail(expected)
        return number

    def decimal(self, expected: str) -> str:
        """The digits of such a number, with a point."""
        start = self.place
        whole = self.run(DIGITS)
        fraction = ""
        if self.peek() and self.peek() in ".,":
            self.place += 1
            fraction = self.run(DIGITS)
            if not fraction:
                self.fail("a digit")
        if not (whole or fraction):
            self.place = start
            self.fail(expected)
        return f"{whole or '0'}.{fraction or '0'}"
