"""A mosquitto from the Debian package, unpacked into a folder of its own: nothing is installed on the system.

Works without root. apt gets private lists and a private cache, so the system's are neither read nor changed; only the
list of installed packages is read, to know which shared libraries are missing.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from crosslay.errors import CrosslayError

#: Below the folder: where ``dpkg-deb -x`` puts the files.
_ROOT = "root"
_UPDATE_TIMEOUT_S = 120.0
#: dpkg's list of what is installed; another file makes apt believe that other libraries are missing.
_STATUS_FILE = Path("/var/lib/dpkg/status")


class BrokerPackageError(CrosslayError):
    """The package cannot be had; the text says which step failed and what the tool said."""

    retryable = True


def unpacked_program(folder: Path) -> Path:
    """Where the program is once `unpack` was here."""
    return folder / _ROOT / "usr" / "sbin" / "mosquitto"


def library_path(folder: Path) -> str:
    """Value of ``LD_LIBRARY_PATH`` for the unpacked program.

    Parameters
    ----------
    folder
        The folder given to `unpack`.
    """
    root = folder / _ROOT
    folders = sorted({str(library.parent) for library in root.rglob("*.so*")})
    return ":".join(folders)


def unpack(folder: Path, *, status_file: Path = _STATUS_FILE) -> Path:
    """Download mosquitto and the libraries that are not installed, and unpack them below `folder`.

    Parameters
    ----------
    folder
        A folder that may be deleted and made anew.
    status_file
        dpkg's list of installed packages.

    Returns
    -------
    pathlib.Path
        The program.

    Raises
    ------
    BrokerPackageError
        This is no Debian, there is no network, or a step failed.
    """
    for tool in ("apt-get", "dpkg-deb"):
        if shutil.which(tool) is None:
            raise BrokerPackageError(f"{tool} is not here, so the Debian package of mosquitto cannot be unpacked")
    # Unpacked beside and renamed at the end: an interrupted download never looks like a whole one.
    work = folder.with_name(f"{folder.name}.{os.getpid()}.part")
    shutil.rmtree(work, ignore_errors=True)
    try:
        downloads = _download(work, status_file)
        for package in downloads:
            _run(["dpkg-deb", "-x", str(package), str(work / _ROOT)], work)
        shutil.rmtree(work / "apt")
        _put_in_place(work, folder)
    except OSError as error:
        raise BrokerPackageError(f"cannot unpack mosquitto into {folder}: {error}") from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return unpacked_program(folder)


def _download(work: Path, status_file: Path) -> list[Path]:
    apt = work / "apt"
    for part in ("lists/partial", "cache/archives/partial", "downloads"):
        (apt / part).mkdir(parents=True)
    options = [
        "-o", f"Dir::State::Lists={apt / 'lists'}", "-o", f"Dir::State::status={status_file}",
        "-o", f"Dir::Cache={apt / 'cache'}", "-o", "Debug::NoLocking=1", "-o", "APT::Sandbox::User=",
        "-o", "Acquire::Languages=none", "-o", "Acquire::Retries=1", "-o", "Acquire::http::Timeout=20",
        "-o", "APT::Update::Post-Invoke-Success::=", "-o", "APT::Install-Recommends=false",
    ]
    _run(["apt-get", "-q", *options, "update"], apt)
    wanted = _missing(_run(["apt-get", "-q", *options, "--simulate", "--reinstall", "install", "mosquitto"], apt))
    _run(["apt-get", "-q", *options, "download", *wanted], apt / "downloads")
    return sorted((apt / "downloads").glob("*.deb"))


def _missing(simulation: str) -> list[str]:
    """Package names of apt's simulated ``Inst`` lines: the program and its shared libraries, no service helpers."""
    named = [line.split()[1] for line in simulation.splitlines() if line.startswith("Inst ")]
    wanted = [name for name in named if name == "mosquitto" or name.startswith("lib")]
    return wanted or ["mosquitto"]


def _put_in_place(work: Path, folder: Path) -> None:
    old = folder.with_name(f"{folder.name}.{os.getpid()}.old")
    if folder.exists():
        folder.rename(old)
    work.rename(folder)
    shutil.rmtree(old, ignore_errors=True)


def _run(command: Sequence[str], folder: Path) -> str:
    environment = {**os.environ, "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive"}
    try:
        done = subprocess.run(  # noqa: S603 - fixed programs, arguments made here
            command, cwd=folder, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True,
            timeout=_UPDATE_TIMEOUT_S, check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise BrokerPackageError(f"{command[0]} did not finish: {error}") from error
    if done.returncode != 0:
        said = [line for line in done.stderr.splitlines() if line.startswith(("E:", "dpkg"))] or [done.stderr.strip()]
        raise BrokerPackageError(f"{command[0]} failed: {said[0]}")
    return done.stdout
