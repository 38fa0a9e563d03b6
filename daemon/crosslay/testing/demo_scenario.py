"""The invented cell that ``crosslay demo`` runs: its folder, its station file, its three lamps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

TOPIC = "demo/shafts/line1/op30"
CALLOUTS = ("Ra 0.8", "Rz 6.3")
PARTS = 12
#: From the end of one traverse to the next, and its length: slow enough to follow, and the lamps can be read between.
INTERVAL_S = 1.3
TRAVERSE_S = 0.35
#: Part number: what is different about it.
_SPECIAL: Mapping[int, str] = {4: "ra_um = 1.3", 7: 'fault = "rocking"', 10: "ra_um = 0.95"}
#: Directories shaped like /sys/class/leds/NAME.
LEDS = ("accept", "reject", "fault", "busy")

_STATION_FILE = """\
# Made by `crosslay demo`: an invented cell. No part of it was ever measured.
[station]
name = "demo"
topic = "{topic}"
state_dir = "state"

[gauge]
adapter = "simulated"
surface = "turned"
seed = 20
parts = {parts}
part_prefix = "DEMO-"
ra_um = 0.55
interval_s = {interval_s}
traverse_s = {traverse_s}
{schedule}
[bus]
host = "{host}"
port = {port}
protocol = "{protocol}"

[light]
dwell_s = 3.0

[[indicator]]
adapter = "sysfs-led"
folder = "leds"
{leds}

[[characteristic]]
name = "journal"
callout = [{callouts}]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One demo run on disk.

    Attributes
    ----------
    folder
        Everything that the run writes.
    parts
        How many parts pass by.
    """

    folder: Path
    parts: int = PARTS

    @property
    def station_file(self) -> Path:
        """What the daemon is started with."""
        return self.folder / "station.toml"

    @property
    def state_dir(self) -> Path:
        """The daemon's store."""
        return self.folder / "state"

    @property
    def leds(self) -> Path:
        """The lamps' directories."""
        return self.folder / "leds"

    @property
    def mes_database(self) -> Path:
        """Written by the MES consumer alone."""
        return self.folder / "mes.db"

    @property
    def daemon_log(self) -> Path:
        """Standard error of the daemon."""
        return self.folder / "daemon.log"

    @property
    def mes_log(self) -> Path:
        """What the MES consumer prints."""
        return self.folder / "mes.log"

    def lay_out(self, *, host: str, port: int, protocol: str) -> None:
        """Write the station file and the lamps.

        Parameters
        ----------
        host, port
            The broker.
        protocol
            MQTT version, as the station file names it.
        """
        for name in LEDS:
            led = self.leds / name
            led.mkdir(parents=True)
            (led / "brightness").write_text("0\n")
            (led / "max_brightness").write_text("1\n")
        schedule = "".join(
            f"\n[[gauge.schedule]]\npart = {part}\n{what}\n" for part, what in _SPECIAL.items() if part <= self.parts
        )
        text = _STATION_FILE.format(
            topic=TOPIC, parts=self.parts, schedule=schedule, host=host, port=port, protocol=protocol,
            interval_s=INTERVAL_S, traverse_s=TRAVERSE_S, leds="\n".join(f'{name} = "{name}"' for name in LEDS),
            callouts=", ".join(f'"{callout}"' for callout in CALLOUTS),
        )
        self.station_file.write_text(text, "utf-8")

    def lamps_on(self) -> frozenset[str]:
        """The lamps that are lit at this instant, read back from their files."""
        lit = set()
        for name in LEDS:
            level = (self.leds / name / "brightness").read_text().strip()
            if level not in {"", "0"}:
                lit.add(name)
        return frozenset(lit)
