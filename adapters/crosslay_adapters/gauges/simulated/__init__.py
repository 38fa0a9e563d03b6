"""A simulated gauge on physically modelled surfaces."""

from crosslay_adapters.gauges.simulated.gauge import SimulatedGauge

__all__ = ["SimulatedGauge"]
