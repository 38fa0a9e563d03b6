"""Filtered profiles as CSV, for a look at them in any other program."""

from __future__ import annotations

from crosslay.texture.evaluation import Evaluation


def profile_csv(evaluation: Evaluation) -> str:
    """Primary profile, waviness (mean line) and roughness over the whole trace.

    Columns ``x_mm, primary_um, waviness_um, roughness_um, in_window``: x from the first sample that was evaluated;
    ``in_window`` is 1 inside the evaluation length. Heights are written so that they read back bit for bit.
    """
    used, profiles = evaluation.settings, evaluation.profiles
    facts = {
        "standard": used.standard.value, "filter": used.filter.value, "cutoff_mm": used.cutoff_mm,
        "short_cutoff_um": "none" if used.short_cutoff_um is None else used.short_cutoff_um, "sections": used.sections,
        "form": used.form, "spacing_um": used.spacing_um,
    }
    lines = [f"# {key}: {value}" for key, value in facts.items()]
    lines.append("x_mm,primary_um,waviness_um,roughness_um,in_window")
    columns = zip(profiles.primary.tolist(), profiles.waviness.tolist(), profiles.roughness.tolist(), strict=True)
    for place, (primary, waviness, roughness) in enumerate(columns):
        x_mm = round(place * used.spacing_um / 1000.0, 9)
        inside = int(profiles.start <= place < profiles.stop)
        lines.append(f"{x_mm!r},{primary!r},{waviness!r},{roughness!r},{inside}")
    return "\n".join(lines) + "\n"
