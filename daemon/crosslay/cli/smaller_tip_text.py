"""What a smaller tip would have given, for a person: a small table and what it means."""

from __future__ import annotations

from crosslay.cli.output import number, quantity, table, wrapped
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.tip_values import SmallerTipValues


def smaller_tip_lines(values: SmallerTipValues, evaluation: Evaluation) -> list[str]:
    """Lines of the report.

    Parameters
    ----------
    values
        What the smaller tip would have given, in the unit of `evaluation`.
    evaluation
        What the trace gives as it is.
    """
    tips = f"with a tip of {number(values.smaller_radius_um)} µm instead of {number(values.tip_radius_um)} µm:"
    if values.smaller_radius_um == 0:
        tips = f"the surface itself, which a tip of {number(values.tip_radius_um)} µm traced:"
    rows: list[tuple[str, ...]] = [("", "as traced", "shallowest", "at least", "at most")]
    rows += [
        (name, *(quantity(each, evaluation.units[name]) for each in (
            evaluation.parameters[name], shallowest, values.at_least_um[name], values.at_most_um[name])))
        for name, shallowest in values.shallowest_um.items()
    ]
    lines = [f"  smaller tip    {tips}", *table(rows, indent=_INDENT)]
    for reason in dict.fromkeys(values.undefined.values()):
        lines += wrapped(_INDENT, f"No certain bounds: {reason}.", indent=_INDENT)
    lines += wrapped(_INDENT, " ".join(_meaning(values)), indent=_INDENT)
    return lines


_INDENT = " " * 17


def _meaning(values: SmallerTipValues) -> list[str]:
    sentences = ["Shallowest is what the shallowest surface of this trace would give; a deeper one may hide below it."]
    if not values.undefined:
        sentences.append("At least and at most hold for every surface of this trace, to within "
                         f"{number(values.resolution_um, 2)} µm of sampling.")
    if values.total_height_um is not None:
        sentences.append("The unfiltered trace would be at least "
                         f"{number(values.total_height_um)} µm high in the evaluation length.")
    sentences.append(f"The tip touched {number(values.touched_share_percent, 2)} % of the samples for certain.")
    return sentences
