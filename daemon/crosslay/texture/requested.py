"""Parameters that are given when they are asked for, such as ``Rmr(1)`` or ``Rdc(10,90)``."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crosslay.errors import SettingsError
from crosslay.texture.family import Measured, Value, Values
from crosslay.texture.height import FLAT_REASON, largest_height_within
from crosslay.texture.material_ratio import (
    height_at_ratio,
    height_difference,
    material_ratio,
    material_ratio_below,
    volume_parameters,
)
from crosslay.texture.peak_count import band_count
from crosslay.texture.probability import probability_parameters
from crosslay.texture.settings import Standard
from crosslay.texture.spectral import dominant_waviness
from crosslay.texture.symbols import FAMILIES, ON_REQUEST, always_given
from crosslay.texture.undefined import Undefined

# What may stand after the family letter: the numbers in its brackets (alternatives apart) and the unit.
_FORMS: dict[str, tuple[tuple[str, ...], str]] = {
    "mr": (("c", "p,dc"), "%"),
    "mc": (("p",), "um"),
    "dc": (("p,q",), "um"),
    "Pc": (("c",), "/cm"),
    "zx": (("l",), "um"),
    "vmp": (("p",), "um"),
    "vmc": (("p,q",), "um"),
    "vvc": (("p,q",), "um"),
    "vvv": (("q",), "um"),
    # Of R always given; of P and W when asked for.
    "pq": ((), "um"),
    "vq": ((), "um"),
    "mq": ((), "%"),
    # Segmentation: plain words, because the standard's symbols carry a pruning height that was not at hand.
    "-peak-density": (("h",), "/cm"),
    "-pit-density": (("h",), "/cm"),
    "-five-point-peak": (("h",), "um"),
    "-five-point-pit": (("h",), "um"),
    "-ten-point": (("h",), "um"),
}
#: Line of the largest wave of W: half its height, and its share of the variance.
WAVE_AMPLITUDE, WAVE_SHARE = "Wsw-amplitude", "Wsw-share"
_LEGEND = "c, dc, h in µm, l in mm, p, q in %"


@dataclass(frozen=True, slots=True)
class Request:
    """A parameter that was asked for.

    Attributes
    ----------
    text
        As it was written; the key of its value.
    letter, stem
        Family, and what stands between it and the brackets.
    arguments
        Numbers in the brackets.
    """

    text: str
    letter: str
    stem: str
    arguments: tuple[float, ...]


def read_requests(parameters: tuple[str, ...], standard: Standard) -> tuple[Request, ...]:
    """Read the parameters asked for, those that are always given left out.

    Parameters
    ----------
    parameters : tuple of str
        As written, e.g. ``Rmr(1)``.
    standard : Standard
        Decides what is always given.

    Raises
    ------
    SettingsError
        A parameter does not exist; the text lists those that do.
    """
    if not parameters:
        return ()
    given = frozenset(always_given(standard))
    return tuple(_read(text, standard) for text in dict.fromkeys(parameters) if text not in given)


def _read(text: str, standard: Standard) -> Request:
    if text in (WAVE_AMPLITUDE, WAVE_SHARE):
        return Request(text, "W", text[1:], ())
    name, bracket, inside = text.replace(" ", "").partition("(")
    letter, stem = ("R", name) if name == "Pc" else (name[:1], name[1:])
    if letter not in FAMILIES or stem not in _FORMS:
        raise _no_such(text, standard)
    forms = _FORMS[stem][0]
    if not bracket and not forms:
        return Request(text, letter, stem, ())
    arguments: tuple[float, ...] = ()
    if forms and inside.endswith(")"):
        arguments = _numbers(inside[:-1])
    if len(arguments) not in {form.count(",") + 1 for form in forms}:
        shown = " or ".join(f"{name}({form})" for form in forms) or name
        raise SettingsError(f"parameter {text}: write {shown}{f' with numbers, {_LEGEND}' if forms else ''}")
    return Request(text, letter, stem, arguments)


def _numbers(text: str) -> tuple[float, ...]:
    """Numbers between commas; none where one of them is no finite number."""
    try:
        numbers = tuple(float(number) for number in text.split(","))
    except ValueError:
        return ()
    return numbers if all(map(math.isfinite, numbers)) else ()


def request_forms() -> tuple[str, ...]:
    """What can be asked for of R, with the names of its numbers in the brackets, and of the largest wave of W."""
    forms = [f"{'' if stem == 'Pc' else 'R'}{stem}({form})" for stem, (forms, _) in _FORMS.items() for form in forms]
    return (*forms, WAVE_AMPLITUDE, WAVE_SHARE)


def _no_such(text: str, standard: Standard) -> SettingsError:
    return SettingsError(
        f"there is no parameter {text} under {standard.value}. Always given: {' '.join(always_given(standard))}. "
        f"On request: {' '.join(request_forms())} ({_LEGEND}; also with P or W in front) {' '.join(sorted(ON_REQUEST))}"
    )


def put_requested(values: Values, requests: tuple[Request, ...], measured: dict[str, Measured]) -> None:
    """Compute and note what was asked for.

    Parameters
    ----------
    values : Values
        Where to note it.
    requests : tuple of Request
        What was asked for.
    measured : dict
        Measured profiles by family letter.

    Raises
    ------
    SettingsError
        A number in brackets is out of its range.
    """
    for request in requests:
        if request.text in (WAVE_AMPLITUDE, WAVE_SHARE):
            _put_wave(values, request.text, measured["W"])
            continue
        try:
            value = _value(request, measured[request.letter])
        except SettingsError as error:
            raise SettingsError(f"parameter {request.text}: {error}") from error
        values.put(request.text, _FORMS[request.stem][1], value)


def _value(request: Request, measured: Measured) -> Value:
    profile, arguments = measured.profile, request.arguments
    match request.stem:
        case "Pc":
            return band_count(profile.heights_um, profile.spacing_um, arguments[0])
        case "zx":
            return largest_height_within(profile.heights_um, profile.spacing_um, arguments[0])
        case "pq" | "vq" | "mq" as stem:
            plot = probability_parameters(measured.curve)
            return {"pq": plot.pq, "vq": plot.vq, "mq": plot.mq}[stem]
        case stem if stem.startswith("-"):
            return _feature(measured, stem, arguments[0])
        case stem:
            return _from_curve(measured, stem, arguments)


def _from_curve(measured: Measured, stem: str, arguments: tuple[float, ...]) -> Value:
    curve = measured.curve
    match stem, arguments:
        case "mr", (height_um,):
            return material_ratio(curve, height_um)
        case "mr", (reference, depth_um):
            return material_ratio_below(curve, reference, depth_um)
        case "mc", (ratio,):
            return height_at_ratio(curve, ratio)
        case "dc", (upper, lower):
            return height_difference(curve, upper, lower)
        case _:
            return _volume(measured, stem, arguments)


def _volume(measured: Measured, stem: str, arguments: tuple[float, ...]) -> Value:
    # A volume that needs one ratio only is the same whatever the other is.
    peak = 0.0 if stem == "vvv" else arguments[0]
    valley = 100.0 if stem == "vmp" else arguments[-1]
    found = volume_parameters(measured.curve, peak, valley)
    return {"vmp": found.vmp, "vmc": found.vmc, "vvc": found.vvc, "vvv": found.vvv}[stem]


def _feature(measured: Measured, stem: str, least_um: float) -> Value:
    if measured.profile.flat:
        return Undefined(FLAT_REASON)
    from crosslay.texture.feature import feature_parameters  # few ask for it; the daemon starts without it

    found = feature_parameters(measured.profile.heights_um, measured.profile.spacing_um, least_um)
    match stem:
        case "-peak-density":
            return 10.0 * found.peak_density_per_mm
        case "-pit-density":
            return 10.0 * found.pit_density_per_mm
        case "-five-point-peak":
            return found.five_point_peak_um
        case "-five-point-pit":
            return found.five_point_pit_um
        case _:
            return found.ten_point_um


def _put_wave(values: Values, text: str, measured: Measured) -> None:
    profile = measured.profile
    wave = Undefined(FLAT_REASON) if profile.flat else dominant_waviness(profile.heights_um, profile.spacing_um)
    if text == WAVE_AMPLITUDE:
        values.put(text, "um", wave if isinstance(wave, Undefined) else wave.amplitude_um)
    else:
        values.put(text, "%", wave if isinstance(wave, Undefined) else wave.energy_share_percent)
