"""Drawing call-outs as text, e.g. ``Ra 0.8``, ``L Ra 0.2``, ``MRR U "Gaussian" 0.0025-0.8/Rz5max 3.2 =``.

The textual form of ISO 1302:2002, with the rules and setting classes of ISO 21920-1:2021::

    call-outs   [process] call-out {; [process] call-out}
    call-out    [U|L] {rule | class | "filter"} [band/[length]/] symbol[sections][max] limit [unit] {rule | class | lay}
    process     APA (any) | MRR (material removal required) | NMR (no material removed)
    band        [short]-[long] in mm: λs-λc for R, λc-λf for W, λs- for P; λs-A for R, AR, Rx; A-B for W, AW, Wx, Wte
    length      evaluation length in mm: -0.8/4/Ra 3.2, /10/R 10; with nothing between the slashes the default
    rule        T16% | Tmax | Tmed; max behind the symbol is Tmax
    class       Sc1 … Sc5
    lay         = | ⟂ (also ⊥ or _|_) | X | M | C | R | P

A process holds for the call-outs that follow it, a lay, which is the surface's, for all of one text. The decimal sign
is a point or a comma. Of ``Rz1max`` the digit counts sections and ``max`` is the rule. ISO 21920-1 was not at hand: so
rules and classes may stand before or after (page *reference-values*, section 12, from memory). The textual form has no
place for a machining allowance, which the graphical symbol shows at its left (ISO 1302:2002, from memory).
"""

from __future__ import annotations

from dataclasses import replace

from crosslay.inspection.callout_model import Callout, Lay, Process, Rule, Side
from crosslay.inspection.callout_reader import read_callout
from crosslay.inspection.callout_tokens import read_process
from crosslay.inspection.callout_writer import written
from crosslay.inspection.cursor import Cursor

__all__ = ["Callout", "Lay", "Process", "Rule", "Side", "parse_callouts", "written"]


def parse_callouts(text: str) -> tuple[Callout, ...]:
    """Read one or several call-outs, separated by ``;``.

    Parameters
    ----------
    text
        For example ``Ra 0.8; L Ra 0.2``.

    Raises
    ------
    CalloutError
        The text is not a call-out; says at which character (counted from 1) and what was expected.

    References
    ----------
    ISO 1302:2002, clause 6 and Annex C (the textual form); from memory, with the examples of page *reference-values*.
    """
    cursor = Cursor(text)
    callouts: list[Callout] = []
    process: Process | None = None
    lay: Lay | None = None
    while not callouts or cursor.take(";"):
        cursor.blanks()
        start = cursor.place
        process = read_process(cursor) or process
        callout = read_callout(cursor, start, lay)
        lay = callout.lay
        callouts.append(replace(callout, process=process))
    return tuple(replace(callout, lay=lay) for callout in callouts)
