"""The parameter symbols that a call-out may name, and their units.

Symbols follow ISO 21920-2:2021, ISO 4287:1997 with Amd 1:2009, ISO 13565-2, ISO 13565-3, ISO 12085, JIS B 0601 and
ASME B46.1.
"""

from __future__ import annotations

from collections.abc import Mapping

_R_UNITS = {
    "um": "Ra Rq Rp Rv Rz Rt Rpt Rvt Rzx RzJIS Rmax Rpm Rc Rk Rpk Rvk Rpq Rvq Rvmp Rvmc Rvvc Rvvv",
    "mm": "Rsm RSm Ral Rsw Rdl",
    "1": "Rsk Rku Rdq Rda Rdt",
    "%": "Rdr Rmrk1 Rmrk2 Rmq",
    "/cm": "Rpc RPc",
    "um.%": "Rak1 Rak2",
}
#: Symbols without twins in the other profiles, under their names.
_PLAIN_UNITS = {"Mr1": "%", "Mr2": "%"}
#: Motif parameters of ISO 12085. They have operators and an evaluation length, and no cut-off and no sections.
MOTIF_UNITS: Mapping[str, str] = {"R": "um", "AR": "mm", "Rx": "um", "W": "um", "AW": "mm", "Wx": "um", "Wte": "um"}
#: Symbols that need numbers in brackets, the unit, and how many numbers they may take.
WITH_ARGUMENTS: Mapping[str, tuple[str, frozenset[int]]] = {
    "Rmr": ("%", frozenset({1, 2})),
    "Rmc": ("um", frozenset({1})),
    "Rdc": ("um", frozenset({2})),
    "Pc": ("/cm", frozenset({1})),
}
#: Parameters whose limit may be zero or negative.
SIGNED = frozenset({"Rsk", "Psk", "Wsk"})
#: The same parameter under the other edition's symbol.
OTHER_SPELLING: Mapping[str, str] = {
    "Rsm": "RSm", "RSm": "Rsm", "Rpc": "RPc", "RPc": "Rpc",
    "Rmrk1": "Mr1", "Mr1": "Rmrk1", "Rmrk2": "Mr2", "Mr2": "Rmrk2",
}


def _units() -> dict[str, str]:
    units = _PLAIN_UNITS | dict(MOTIF_UNITS)
    for unit, symbols in _R_UNITS.items():
        for symbol in symbols.split():
            units[symbol] = unit
            if symbol not in {"RzJIS", "Rmax", "Rpm", "RSm", "RPc"}:
                units["P" + symbol[1:]] = unit
                units["W" + symbol[1:]] = unit
    return units


#: Unit of every symbol that stands without brackets.
UNITS: Mapping[str, str] = _units()


def family(symbol: str) -> str:
    """``R``, ``P`` or ``W``: the profile that a symbol is of; a peak count ``Pc(c)`` is of R, a motif ``AW`` of W."""
    if symbol.startswith(("P", "W", "AW")) and not symbol.startswith("Pc("):
        return symbol.removeprefix("A")[0]
    return "R"
