"""The systemd unit says what the station needs of the service manager (systemd.service, systemd.exec manuals)."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNIT = Path(__file__).resolve().parents[2] / "systemd" / "crosslay@.service"


def settings() -> dict[str, str]:
    lines = [line for line in UNIT.read_text("utf-8").splitlines() if re.match(r"[A-Z]\w+=", line)]
    names = [line.partition("=")[0] for line in lines]
    assert len(names) == len(set(names)), "a setting stands twice"
    return dict(line.split("=", 1) for line in lines)


def test_it_runs_the_station_file_of_its_instance() -> None:
    assert settings()["ExecStart"] == "crosslay run /etc/crosslay/%i.toml"
    assert settings()["StateDirectory"] == "crosslay/%i"
    assert settings()["RuntimeDirectory"] == "crosslay/%i"


def test_it_waits_for_readiness_and_watches() -> None:
    assert settings()["Type"] == "notify"
    assert int(settings()["WatchdogSec"]) >= 10


def test_it_comes_back_after_a_fault_but_not_with_a_wrong_station_file() -> None:
    assert settings()["Restart"] == "on-failure"
    assert settings()["RestartPreventExitStatus"] == "78"
    assert settings()["StartLimitIntervalSec"] == "0"


def test_an_orderly_stop_has_time() -> None:
    assert int(settings()["TimeoutStopSec"]) > 5


def test_nothing_takes_the_light_or_the_gauge_away() -> None:
    # ProtectKernelTunables makes /sys read-only, PrivateDevices and ProtectClock close /dev (systemd.exec).
    assert not {"ProtectKernelTunables", "PrivateDevices", "ProtectClock", "PrivateNetwork"} & settings().keys()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_systemd_understands_every_line(tmp_path: Path) -> None:
    # The command of this environment, because the unit's own is installed by whoever installs the unit.
    text = UNIT.read_text("utf-8").replace("ExecStart=crosslay", f"ExecStart={Path(sys.prefix) / 'bin' / 'crosslay'}")
    (tmp_path / UNIT.name).write_text(text)
    instance = tmp_path / "crosslay@op30.service"
    done = subprocess.run(["systemd-analyze", "verify", instance], capture_output=True, text=True)
    ours = [line for line in done.stderr.splitlines() if "crosslay" in line]
    assert (done.returncode, ours) == (0, [])
