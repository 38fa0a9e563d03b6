"""The whole evaluation, slow and direct, for comparison only: design: texture, sections 1 to 5, step by step.

It imports nothing of the program under test.
"""

from __future__ import annotations

from dataclasses import dataclass

from reference import brute_core, brute_curve, brute_filters

Profile = list[float]

_STEMS = {
    "iso-21920": "a q sk ku p v z pt vt t zx sm c pc Pc(0.5) dq da dt dl dr al sw dc(20,80) k pk vk mrk1 mrk2 ak1 ak2 "
    "vmp vmc vvc vvv",
    "iso-4287": "a q sk ku p v z z1max t sm c pc dq dc(20,80) k pk vk mrk1 mrk2",
    "asme-b46.1": "a q sk ku p v pm z max t sm c pc Pc(0.5) dq da dc(20,80) k pk vk mrk1 mrk2",
    "jis-b-0601": "a q sk ku p v z z1max t zJIS sm c pc dq dc(20,80) k pk vk mrk1 mrk2",
}
_OLD = {"sm": "Sm", "pc": "Pc", "mrk1": "Mr1", "mrk2": "Mr2"}


@dataclass
class Wanted:
    """Settings: names as on the page, λc mm, λs µm or None, λf mm or None."""

    standard: str
    filter: str
    cutoff_mm: float
    short_cutoff_um: float | None
    waviness_cutoff_mm: float | None
    sections: int
    form: str


@dataclass
class Found:
    """Values by symbol, None where undefined; profiles over the whole trace; first sample of the window."""

    values: dict[str, float | None]
    total: dict[str, float]
    primary: Profile
    roughness: Profile
    start: int


def evaluate(z: Profile, dx: float, wanted: Wanted) -> Found | None:
    """None where the trace is too short."""
    place = brute_core.window(len(z), dx, wanted.cutoff_mm, wanted.sections, wanted.filter)
    if place is None:
        return None
    level = brute_core.without_form(z, dx, wanted.form)
    short = wanted.short_cutoff_um
    primary = level if short is None else brute_filters.gaussian(level, dx, short)
    line = brute_filters.MEAN_LINES[wanted.filter](primary, dx, wanted.cutoff_mm * 1000)
    rough = [p - w for p, w in zip(primary, line, strict=True)]
    here = slice(place.start, place.start + place.points)
    if wanted.waviness_cutoff_mm is None:
        wave = brute_core.without_polynomial(line[here], 1)
    else:
        longer = brute_filters.gaussian(line, dx, wanted.waviness_cutoff_mm * 1000)
        wave = [w - f for w, f in zip(line, longer, strict=True)][here]
    families = {
        "R": (rough[here], place.section),
        "P": (brute_core.without_polynomial(primary[here], 1), place.points),
        "W": (wave, place.points),
    }
    largest = max(abs(v) for v in z)
    values: dict[str, float | None] = {}
    total: dict[str, float] = {}
    for letter, (profile, section) in families.items():
        flat = max(profile) - min(profile) < 1e-12 * largest or max(profile) == min(profile)
        stems = _family([0.0] * len(profile) if flat else profile, dx, section, wanted.standard)
        if flat:
            stems |= dict.fromkeys(("sk", "ku", "sm", "c", "pc", "al", "sw", "mrk1", "mrk2"))
        total[letter] = max(profile) - min(profile)
        for stem in _STEMS[wanted.standard].split():
            values[_symbol(letter, stem, wanted.standard)] = stems[stem]
    return Found(values, total, primary, rough, place.start)


def _symbol(letter: str, stem: str, standard: str) -> str:
    written = stem if standard == "iso-21920" else _OLD.get(stem, stem)
    if letter == "R" and (written in ("Mr1", "Mr2") or written.startswith("Pc(")):
        return written
    return letter + written


def _family(z: Profile, dx: float, section: int, standard: str) -> dict[str, float | None]:
    flat = max(z) == min(z)
    found = brute_core.heights(z, section, standard)
    found |= brute_core.spacing(z, dx, section, found["z"] or 0.0)
    found["Pc(0.5)"] = brute_curve.band_count(z, dx, 0.5)
    found |= brute_curve.slope_values(z, dx)
    found |= brute_curve.length_values(z, dx)
    found["dc(20,80)"] = brute_curve.height_at(z, 20.0) - brute_curve.height_at(z, 80.0)
    if flat:
        found |= {"k": 0.0, "pk": 0.0, "vk": 0.0, "ak1": 0.0, "ak2": 0.0}
        found |= {"vmp": 0.0, "vmc": 0.0, "vvc": 0.0, "vvv": 0.0}
    else:
        found |= brute_curve.core(z)
        found |= brute_curve.volumes(z, 10.0, 80.0)
        if standard == "iso-21920":
            found |= {"al": brute_curve.correlation_length(z, dx), "sw": brute_curve.dominant_wavelength(z, dx)}
    if standard == "jis-b-0601":
        found["zJIS"] = None if flat else brute_curve.ten_point(z, section)
    return found
