"""An invented reference specimen and traces of it, with the value that a closed form gives.

A sine of the amplitude A has Ra = 2A/π (ISO 5436-1, type C1). The filters of the certificate's conditions take less
than 0.1 % of it at a period of 0.1 mm (ISO 16610-21: λc = 0.8 mm and λs = 2.5 µm).
"""

from __future__ import annotations

import math
from pathlib import Path

from crosslay.plan.load import StationPlan, load_plan
from station_harness import StationUnderTest, csv_bytes, sine_um

NAME = "roughness-3"
CERTIFIED_UM = 2 / math.pi
SPECIMEN = f"""
[[specimen]]
name = "{NAME}"
type = "C"
parameter = "Ra"
certified = {CERTIFIED_UM:.6f}
expanded_uncertainty = 0.012
certificate = "invented-1"
certificate_due = 2090-12-31
cutoff_mm = 0.8
tolerance_percent = 5.0
warn_percent = 3.0
every_hours = 8.0
noise_rq0_um = 0.003
"""


def specimen_bytes(amplitude_um: float, number: int, **facts: str) -> bytes:
    """A trace file of the specimen; each traverse reads a little differently."""
    return csv_bytes(sine_um(amplitude_um * (1 + number / 2000)), place=str(number), **facts)


def drop_check(station: StationUnderTest, stem: str, amplitude_um: float, *, traces: int = 3) -> None:
    """Drop the traces of a whole check."""
    for number in range(traces):
        station.drop(f"{stem}-{number}.csv", specimen_bytes(amplitude_um, number, specimen=NAME))


def plan_with(folder: Path, specimens: str = SPECIMEN, *, station: str = "") -> StationPlan:
    """A station's plan with specimens; nothing runs."""
    file = folder / "op30.toml"
    file.write_text(
        '[station]\nname = "op30"\ntopic = "plant/op30"\nstate_dir = "state"\n'
        f'{station}\n[gauge]\nadapter = "file-drop"\nfolder = "incoming"\n'
        '[bus]\nhost = "127.0.0.1"\nport = 1883\n'
        f'[[characteristic]]\nname = "journal"\ncallout = ["Ra 0.8", "Rz 6.3"]\n{specimens}',
        "utf-8",
    )
    return load_plan(file, {})
