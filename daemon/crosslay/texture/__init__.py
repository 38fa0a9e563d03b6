"""Surface texture: pure numbers, numpy and scipy only."""

from crosslay.texture.evaluation import Evaluation, Profiles, UsedSettings, evaluate
from crosslay.texture.settings import FilterKind, Settings, Standard
from crosslay.texture.trace import Calibration, Finding, Severity, Trace

__all__ = [
    "Calibration",
    "Evaluation",
    "FilterKind",
    "Finding",
    "Profiles",
    "Settings",
    "Severity",
    "Standard",
    "Trace",
    "UsedSettings",
    "evaluate",
]
