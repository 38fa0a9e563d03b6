"""The gauge itself: parts pass by, each is traversed, the trace is delivered as counts."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from crosslay.errors import GaugeError
from crosslay.ports import Clock, Disposition, GaugeContext, GaugeSignal, PreCheck
from crosslay.texture.trace import Calibration, Trace
from crosslay_adapters.gauges.simulated.config import PlannedPart, SimulatedConfig
from crosslay_adapters.gauges.simulated.faults import FAULTS, Heights, Traverse
from crosslay_adapters.gauges.simulated.surfaces import (
    Turning,
    ground,
    honed,
    roughness,
    scaled_to_ra,
    traced,
    triangles,
    turned,
    waviness,
)


class _SystemClock:
    """The clocks of this computer."""

    def monotonic(self) -> float:
        return time.monotonic()

    def wall(self) -> float:
        return time.time()


class SimulatedGauge:
    """A stylus gauge without a stylus: the traces are computed, and every one of them says that it is simulated.

    A part's trace follows from the options, the seed and the part's number alone, bit for bit: neither timing nor what
    was read before matters. Parts are counted on over ``close`` and ``open``; a traverse that ``close`` interrupts is
    begun again. A new process begins with the first part.

    Parameters
    ----------
    config
        Options.
    context
        What the station provides; ``notify`` gets `GaugeSignal.STARTED` when a traverse begins.
    clock
        Time; this computer's where none is given.
    """

    Config: ClassVar[type[SimulatedConfig]] = SimulatedConfig
    simulated: ClassVar[bool] = True

    def __init__(self, config: SimulatedConfig, context: GaugeContext, *, clock: Clock | None = None) -> None:
        self._config = config
        self._context = context
        self._clock = clock or _SystemClock()
        self._planned = {entry.part: entry for entry in config.schedule}
        self._closed = threading.Event()
        self._closed.set()
        self._part = config.first_part
        self._next_start_s = 0.0
        self._trace: Trace | None = None
        self._looked: tuple[int, Trace] | None = None
        self._end_s = 0.0

    def open(self) -> None:
        """Begin. The first traverse starts with the first ``read``."""
        if self._closed.is_set():
            self._closed.clear()
            self._trace = None
            self._next_start_s = self._clock.monotonic()

    def close(self) -> None:
        """Stop; a ``read`` that waits returns at once."""
        self._closed.set()
        self._trace = None

    def read(self, timeout_s: float) -> Trace | None:
        """Wait for the end of a traverse, at most `timeout_s` seconds.

        Raises
        ------
        GaugeError
            The gauge is not open.
        """
        if self._closed.is_set():
            raise GaugeError("the simulated gauge is read before it was opened")
        deadline_s = self._clock.monotonic() + timeout_s
        if self._has_ended():
            self._closed.wait(timeout_s)  # the last part has passed; nothing comes any more
            return None
        if self._trace is None:
            if not self._reached(self._next_start_s, deadline_s):
                return None
            self._start()
        if not self._reached(self._end_s, deadline_s):
            return None
        return self._finish()

    def precheck(self) -> PreCheck | None:
        """Look at the part that waits: where its trace begins, its slope, and the gauge's noise.

        A part that the station will not measure stays where it is.

        Raises
        ------
        GaugeError
            The gauge is not open.
        """
        if self._closed.is_set():
            raise GaugeError("the simulated gauge is asked before it was opened")
        if self._trace is not None or self._has_ended() or self._clock.monotonic() < self._next_start_s:
            return None
        trace = self._next_trace()
        heights, tenth = trace.heights_um(), max(1, trace.points // 10)
        rise_um = float(heights[-tenth:].mean() - heights[:tenth].mean())
        return PreCheck(
            position_percent=50.0 * (1.0 + float(heights[0]) / self._config.range_um),
            tilt_um_per_mm=rise_um / ((trace.points - tenth) * self._config.spacing_um / 1000.0),
            noise_um=self._config.noise_um,
        )

    def settle(self, trace: Trace, disposition: Disposition, reason: str = "") -> None:
        """Nothing to do: a simulated part can be made again."""

    def describe(self) -> Mapping[str, str]:
        """What stands in ``v1/identification``."""
        return {"adapter": "simulated", "model": f"simulated gauge, {self._config.surface} surface",
                "serial": f"seed-{self._config.seed}"}

    def _has_ended(self) -> bool:
        return bool(self._config.parts) and self._part >= self._config.first_part + self._config.parts

    def _next_trace(self) -> Trace:
        """Trace of the part that waits, computed once."""
        if self._looked is None or self._looked[0] != self._part:
            self._looked = self._part, simulate(self._config, self._part, self._planned.get(self._part))
        return self._looked[1]

    def _reached(self, moment_s: float, deadline_s: float) -> bool:
        """Wait until a moment, but not beyond the deadline; False where that or ``close`` came first."""
        wait_s = min(moment_s, deadline_s) - self._clock.monotonic()
        if wait_s > 0:
            self._closed.wait(wait_s)
        return moment_s <= max(deadline_s, self._clock.monotonic()) and not self._closed.is_set()

    def _start(self) -> None:
        self._context.notify(GaugeSignal.STARTED)
        begin_s = self._clock.monotonic()
        trace = self._next_trace()
        self._looked = None
        self._end_s = begin_s + (trace.acquisition_s or 0.0)
        self._trace = trace

    def _finish(self) -> Trace | None:
        trace, now_s = self._trace, self._clock.monotonic()
        if trace is None:  # closed meanwhile
            return None
        self._trace = None
        self._part += 1
        self._next_start_s = self._end_s + self._config.interval_s
        ended_at = self._clock.wall() - max(0.0, now_s - self._end_s)
        return _stamped(trace, ended_at)


def _stamped(trace: Trace, captured_at: float) -> Trace:
    return Trace(samples=trace.samples, spacing_um=trace.spacing_um, calibration=trace.calibration,
                 sample_range=trace.sample_range, facts=trace.facts, captured_at=captured_at,
                 acquisition_s=trace.acquisition_s, simulated=True)


def simulate(config: SimulatedConfig, part: int, planned: PlannedPart | None = None) -> Trace:
    """Compute the trace of one part; the same arguments give the same trace, bit for bit.

    Parameters
    ----------
    config
        Options.
    part
        The part's number, 1 or more.
    planned
        What is different about this part; None for a good one.

    Returns
    -------
    Trace
        int32 counts, without ``captured_at``.
    """
    # One stream per part and purpose: a fault or a further option never shifts the surface below it.
    shape, level, waves, noise, chance = (np.random.default_rng([config.seed, part, k]) for k in range(5))
    specimen = planned.specimen if planned is not None else None
    texture = _texture(config, planned, shape, level) if specimen is None else _specimen(config, shape)
    x_mm = np.arange(config.points) * (config.spacing_um / 1000.0)
    heights = texture + config.tilt_um_per_mm * (x_mm - 0.5 * x_mm[-1])
    heights += waviness(config.points, config.spacing_um, waves, height_um=config.waviness_um,
                        length_mm=config.waviness_length_mm)
    heights += config.noise_um * noise.standard_normal(config.points)
    if planned is not None and planned.fault is not None:
        traverse = Traverse(
            texture=texture, rz_um=_rz_um(config, texture), spacing_um=config.spacing_um,
            speed_mm_s=config.speed_mm_s, range_um=config.range_um, noise_um=config.noise_um,
            tip_radius_um=config.tip_radius_um,
        )
        heights = FAULTS[planned.fault](heights, traverse, planned.strength, chance)
    return _as_counts(config, part, heights, {} if specimen is None else {"specimen": specimen})


def _texture(config: SimulatedConfig, planned: PlannedPart | None, shape: np.random.Generator,
             level: np.random.Generator) -> Heights:
    """Traced texture without waviness, tilt and noise, mean 0, µm."""
    surface = _surface(config, shape)
    ra_um = config.ra_um
    if planned is not None and planned.ra_um is not None:
        ra_um = planned.ra_um
    scatter = float(np.exp(config.scatter_percent / 100.0 * level.standard_normal()))
    if ra_um is None:
        path = traced(scatter * surface, config.spacing_um, config.tip_radius_um)
    else:
        path = scaled_to_ra(surface, config.spacing_um, ra_um=ra_um * scatter, cutoff_mm=config.cutoff_mm,
                            tip_radius_um=config.tip_radius_um)
    return np.asarray(path - path.mean())


def _surface(config: SimulatedConfig, shape: np.random.Generator) -> Heights:
    """The surface before a tip touched it, µm or, where it is scaled to Ra, in a unit of its own."""
    if config.surface in {"turned", "milled"}:
        cut = Turning(feed_mm=config.feed_mm, nose_radius_mm=config.nose_radius_mm,
                      feed_scatter_percent=config.feed_scatter_percent,
                      built_up_edge_percent=config.built_up_edge_percent,
                      chatter_percent=config.chatter_percent, chatter_period_rev=config.chatter_period_rev,
                      teeth=config.teeth if config.surface == "milled" else 1, run_out_percent=config.run_out_percent)
        return turned(cut, config.points, config.spacing_um, shape)
    if config.surface == "honed":
        return honed(config.points, config.spacing_um, shape, plateau_percent=config.plateau_percent,
                     grooves_per_mm=config.grooves_per_mm, groove_width_um=config.groove_width_um)
    return ground(config.points, config.spacing_um, shape, correlation_um=config.autocorrelation_um,
                  skewness=config.random_skewness)


def _rz_um(config: SimulatedConfig, texture: Heights) -> float:
    """Mean peak to valley over five sections of the texture, µm."""
    profile = roughness(texture, config.spacing_um, config.cutoff_mm)
    return float(np.mean([section.max() - section.min() for section in np.array_split(profile, 5)]))


def _specimen(config: SimulatedConfig, shape: np.random.Generator) -> Heights:
    """Traced texture of the reference specimen, mean 0, µm."""
    surface = triangles(config.points, config.spacing_um, shape, pitch_um=config.specimen_pitch_um,
                        ra_um=config.specimen_ra_um)
    path = traced(surface, config.spacing_um, config.tip_radius_um)
    return np.asarray(path - path.mean())


def _as_counts(config: SimulatedConfig, part: int, heights: Heights, more: dict[str, str]) -> Trace:
    """What the gauge's converter makes of the heights."""
    top = round(config.range_um / config.resolution_um)
    counts = np.clip(np.rint(heights / config.resolution_um), -top, top).astype(np.int32)
    whole_s = config.length_mm / config.speed_mm_s if config.traverse_s is None else config.traverse_s
    return Trace(
        samples=counts,
        spacing_um=config.spacing_um,
        calibration=Calibration(gain_um=config.resolution_um),
        sample_range=(-top, top),
        facts={"part": f"{config.part_prefix}{part:04d}", "speed_mm_s": f"{config.speed_mm_s:g}",
               "tip_radius_um": f"{config.tip_radius_um:g}", "skid": "none", "surface": config.surface, **more},
        acquisition_s=whole_s * heights.size / config.points,
        simulated=True,
    )
