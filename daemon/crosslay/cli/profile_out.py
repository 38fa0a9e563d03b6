"""Profiles of one trace as CSV, for a look at them in any other program."""

from __future__ import annotations

from itertools import repeat

from crosslay.texture.evaluation import Evaluation
from crosslay.texture.grid import even_heights
from crosslay.texture.trace import Trace
from crosslay.texture.waviness import waviness_in_window
from crosslay.texture.window import Window

#: Column by column: what it holds, as the first lines of the file say it.
COLUMNS = {
    "x_mm": "from the first sample",
    "z_um": "as traced, on an even grid",
    "primary_um": "P: less the form and what is shorter than the short cut-off",
    "mean_line_um": "of the cut-off",
    "roughness_um": "R: primary less mean line",
    "waviness_um": "W in the evaluation length, empty outside: mean line less its own mean line or, without "
                   "waviness_cutoff_mm, less a line",
    "in_window": "1 in the evaluation length",
}


def profile_csv(trace: Trace, evaluation: Evaluation) -> str:
    """Profiles over the whole trace, in the columns of `COLUMNS`; heights read back bit for bit.

    Parameters
    ----------
    trace
        The trace, evaluated without zones left out.
    evaluation
        What it amounts to.
    """
    used, profiles = evaluation.settings, evaluation.profiles
    facts = {
        "standard": used.standard.value, "filter": used.filter.value, "cutoff_mm": used.cutoff_mm,
        "short_cutoff_um": "none" if used.short_cutoff_um is None else used.short_cutoff_um,
        "waviness_cutoff_mm": "none" if used.waviness_cutoff_mm is None else used.waviness_cutoff_mm,
        "sections": used.sections, "form": used.form, "spacing_um": used.spacing_um,
    }
    lines = [f"# {key}: {value}" for key, value in facts.items()]
    lines += [f"# column {name}: {what}" for name, what in COLUMNS.items()]
    lines.append(",".join(COLUMNS))
    window = Window(section_points=used.section_points, sections=used.sections, start=profiles.start)
    band = waviness_in_window(profiles.waviness, used.spacing_um, window, waviness_cutoff_mm=used.waviness_cutoff_mm)
    waviness = [*repeat("", profiles.start), *map(repr, band.tolist()), *repeat("", used.points - profiles.stop)]
    columns = zip(even_heights(trace).z_um.tolist(), profiles.primary.tolist(), profiles.waviness.tolist(),
                  profiles.roughness.tolist(), waviness, strict=True)
    for place, (*heights, wave) in enumerate(columns):
        x_mm = round(place * used.spacing_um / 1000.0, 9)
        inside = int(profiles.start <= place < profiles.stop)
        lines.append(f"{x_mm!r},{','.join(map(repr, heights))},{wave},{inside}")
    return "\n".join(lines) + "\n"
