"""Which symbols each standard always gives, and how they are written.

A *stem* is a symbol of the newest edition without its family letter: ``sm`` is Rsm, Psm or Wsm, and RSm under the older
standards.

References
----------
ISO 21920-2:2021; ISO 4287:1997 with Amd 1:2009; ISO 13565-2:1996 and -3:1998; ASME B46.1; JIS B 0601; which of them are
always given: design: texture, "Keys".
"""

from __future__ import annotations

from crosslay.texture.settings import Standard

_COMMON = ("a", "q", "sk", "ku", "p", "v")
_CORE = ("k", "pk", "vk", "mrk1", "mrk2")
#: Slopes of plateau and valleys and where they meet.
PROBABILITY = ("pq", "vq", "mq")
_OLD = (*_COMMON, "z", "z1max", "t", "sm", "c", "pc", "dq", "dc(20,80)", *_CORE, *PROBABILITY)
_NEW = (
    *(*_COMMON, "z", "pt", "vt", "t", "zx"),
    *("sm", "c", "pc", "Pc(0.5)"),
    *("dq", "da", "dt", "dl", "dr", "al", "sw"),
    *("dc(20,80)", *_CORE, "ak1", "ak2"),
    *PROBABILITY,
    *("vmp", "vmc", "vvc", "vvv"),
)
_INCH = (
    *(*_COMMON, "pm", "z", "max", "t"),
    *("sm", "c", "pc", "Pc(0.5)", "dq", "da", "dc(20,80)", *_CORE, *PROBABILITY),
)

FAMILIES = ("R", "P", "W")
# How the older standards write a stem; Mr1 and Mr2 have no family letter for R.
_OLD_SPELLING = {"sm": "Sm", "pc": "Pc", "mrk1": "Mr1", "mrk2": "Mr2"}
_WITHOUT_R = frozenset({"Mr1", "Mr2"})


def symbol(letter: str, stem: str, standard: Standard) -> str:
    """Write a stem as the standard does.

    Parameters
    ----------
    letter : str
        Family: ``R``, ``P`` or ``W``.
    stem : str
        Symbol of ISO 21920-2 without the letter, or ``Pc(c)``.
    standard : Standard
        Whose spelling.
    """
    written = stem if standard is Standard.ISO_21920 else _OLD_SPELLING.get(stem, stem)
    if letter == "R" and (written in _WITHOUT_R or written.startswith("Pc(")):
        return written
    return letter + written


_ORDER = {
    Standard.ISO_21920: _NEW,
    Standard.ISO_4287: _OLD,
    Standard.ASME_B46_1: _INCH,
    Standard.JIS_B_0601: (*_OLD, "zJIS"),
}

#: Symbols that every evaluation gives, by standard, family and stem. The probability family of P and W, of little use
#: and costly, is given when it is asked for.
ALWAYS: dict[Standard, dict[str, dict[str, str]]] = {
    standard: {
        letter: {stem: symbol(letter, stem, standard) for stem in stems if letter == "R" or stem not in PROBABILITY}
        for letter in FAMILIES
    }
    for standard, stems in _ORDER.items()
}

#: Symbols without brackets that are given when they are asked for.
ON_REQUEST = frozenset(f"{letter}{stem}" for letter in ("P", "W") for stem in PROBABILITY)


def always_given(standard: Standard) -> tuple[str, ...]:
    """Symbols that every evaluation under a standard gives, R first, then P and W."""
    return tuple(name for names in ALWAYS[standard].values() for name in names.values())
