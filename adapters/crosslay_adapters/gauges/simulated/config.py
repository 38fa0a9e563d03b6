"""Options of the simulated gauge in the station file."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from crosslay.ports import AdapterConfig

#: More samples than this is a slip of the keyboard, not a trace.
MAX_POINTS = 2_000_000

#: Options that mean something for some kinds of surface only.
_ONLY_FOR: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("feed_mm", "nose_radius_mm", "feed_scatter_percent", "built_up_edge_percent"), ("turned", "milled")
    ),
    **dict.fromkeys(("chatter_percent", "chatter_period_rev"), ("turned",)),
    **dict.fromkeys(("teeth", "run_out_percent"), ("milled",)),
    **dict.fromkeys(("correlation_um", "skewness"), ("ground", "lapped")),
    **dict.fromkeys(("plateau_percent", "grooves_per_mm", "groove_width_um"), ("honed",)),
}
#: Lag of the autocorrelation, µm, and skewness where none is given.
_RANDOM_DEFAULTS = {"ground": (10.0, -0.5), "lapped": (3.0, -0.2)}

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class PlannedPart(AdapterConfig):
    """One entry of ``[[gauge.schedule]]``: what is different about one part.

    Attributes
    ----------
    part
        Number of the part, the first one is 1.
    ra_um
        Ra of this part, µm, instead of the gauge's.
    fault
        What goes wrong while this part is measured.
    strength
        How bad it is: 1 as described in the README, 0.5 half of it, 2 twice.
    specimen
        The stylus runs over a reference specimen of this name instead of a part.
    """

    part: Annotated[int, Field(ge=1)]
    ra_um: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    fault: Literal[
        "rocking", "clipped", "stuck", "short", "jump", "set-down", "spike", "dropout", "scratch", "hum", "noise",
        "along-the-lay", "tip-wear",
    ] | None = None
    strength: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] = 1.0
    specimen: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[ -~]+$")] | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.ra_um is None and self.fault is None and self.specimen is None:
            raise ValueError(f"part {self.part} is scheduled without ra_um, fault and specimen; give at least one")
        if self.ra_um is not None and self.specimen is not None:
            raise ValueError(f"part {self.part} is the specimen, whose Ra is specimen_ra_um; leave ra_um out")
        return self


class SimulatedConfig(AdapterConfig):
    """Options of the simulated gauge; the README of this folder explains each of them."""

    # What passes by
    surface: Literal["turned", "milled", "ground", "honed", "lapped"] = "turned"
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    parts: Annotated[int, Field(ge=0)] = 0
    first_part: Annotated[int, Field(ge=1)] = 1
    part_prefix: Annotated[str, Field(max_length=64, pattern=r"^[ -~]*$")] = "SIM-"
    interval_s: NotNegative = 1.0
    traverse_s: NotNegative | None = None
    schedule: Annotated[tuple[PlannedPart, ...], Field(strict=False)] = ()

    # The trace
    length_mm: Annotated[float, Field(gt=0, le=500, allow_inf_nan=False)] = 4.8
    spacing_um: Annotated[float, Field(ge=0.01, le=1000, allow_inf_nan=False)] = 0.5
    speed_mm_s: Positive = 0.5
    tip_radius_um: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 2.0
    range_um: Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)] = 100.0
    resolution_um: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 0.001

    # The reference specimen
    specimen_ra_um: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 0.75
    specimen_pitch_um: Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)] = 30.0

    # The surface
    ra_um: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    cutoff_mm: Positive = 0.8
    scatter_percent: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 2.0
    tilt_um_per_mm: Finite = 2.0
    waviness_um: NotNegative = 0.3
    waviness_length_mm: Positive = 2.5
    noise_um: NotNegative = 0.01

    # Turned, milled (feed per tooth)
    feed_mm: Positive = 0.1
    nose_radius_mm: Positive = 0.4
    feed_scatter_percent: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] = 1.0
    built_up_edge_percent: Annotated[float, Field(ge=0, le=50, allow_inf_nan=False)] = 5.0
    chatter_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0
    chatter_period_rev: Annotated[float, Field(ge=2, allow_inf_nan=False)] = 6.5

    # Milled
    teeth: Annotated[int, Field(ge=1, le=100)] = 4
    run_out_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 20.0

    # Ground, lapped: the default depends on which
    correlation_um: Positive | None = None
    skewness: Annotated[float, Field(ge=-2, le=2, allow_inf_nan=False)] | None = None

    # Honed
    plateau_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 5.0
    grooves_per_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 8.0
    groove_width_um: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 40.0

    @property
    def autocorrelation_um(self) -> float:
        """Lag at which the autocorrelation of a random surface has fallen to 1/e, µm."""
        return self.correlation_um if self.correlation_um is not None else _RANDOM_DEFAULTS[self.surface][0]

    @property
    def random_skewness(self) -> float:
        """Skewness of a random surface."""
        return self.skewness if self.skewness is not None else _RANDOM_DEFAULTS[self.surface][1]

    @property
    def points(self) -> int:
        """Number of samples of a whole trace: one at each end and one every `spacing_um` between."""
        return round(self.length_mm * 1000.0 / self.spacing_um) + 1

    @model_validator(mode="after")
    def _surface_fits(self) -> Self:
        for option, surfaces in _ONLY_FOR.items():
            if option in self.model_fields_set and self.surface not in surfaces:
                allowed = " or ".join(f'"{surface}"' for surface in surfaces)
                raise ValueError(f'{option} belongs to surface = {allowed}, but the surface is "{self.surface}"; '
                                 "leave it out")
        if self.surface in {"turned", "milled"}:
            self._require_grooves()
        elif self.ra_um is None:
            raise ValueError(f"a {self.surface} surface needs ra_um")
        return self

    def _require_grooves(self) -> None:
        if self.feed_mm > self.nose_radius_mm:
            raise ValueError(f"feed_mm {self.feed_mm} is more than nose_radius_mm {self.nose_radius_mm}; the grooves "
                             "are arcs of the tool nose only while the feed is at most its radius")
        if self.feed_mm * 1000.0 < 4.0 * self.spacing_um:
            raise ValueError(f"feed_mm {self.feed_mm} is less than four times the spacing of {self.spacing_um} µm; "
                             "a groove needs four samples at least")

    @model_validator(mode="after")
    def _trace_fits(self) -> Self:
        if not 16 <= self.points <= MAX_POINTS:
            raise ValueError(f"length_mm {self.length_mm} at spacing_um {self.spacing_um} makes {self.points} samples; "
                             f"16 to {MAX_POINTS} are possible")
        if self.range_um / self.resolution_um > 2**31 - 1:
            raise ValueError(f"range_um {self.range_um} in steps of resolution_um {self.resolution_um} does not fit "
                             "into 32 bits; make the resolution coarser")
        return self

    @model_validator(mode="after")
    def _schedule_fits(self) -> Self:
        planned = [entry.part for entry in self.schedule]
        twice = sorted({part for part in planned if planned.count(part) > 1})
        if twice:
            raise ValueError(f"schedule names part {twice[0]} twice; put ra_um and fault into one entry")
        last = self.first_part + self.parts - 1
        beyond = [part for part in planned if part < self.first_part or (self.parts and part > last)]
        if beyond:
            raise ValueError(f"schedule names part {beyond[0]}, but the parts run from {self.first_part} to "
                             f"{last if self.parts else 'without end'}")
        return self
