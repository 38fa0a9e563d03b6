"""From the plan's words to the files that open the broker: paths resolved, and looked at before the station starts."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from crosslay.bus.credentials import (
    MAX_CERTIFICATE_BYTES,
    Access,
    SecretFile,
    TlsFiles,
    read_password,
    read_public_bytes,
    read_secret_bytes,
    secret_file,
)
from crosslay.errors import BusError, PlanError
from crosslay.plan.load import StationPlan
from crosslay.plan.problems import Problem

_CREDENTIALS = "CREDENTIALS_DIRECTORY"


def access_of(plan: StationPlan, environ: Mapping[str, str]) -> Access:
    """The files that a plan names, without touching them.

    Parameters
    ----------
    plan
        Relative paths in it are relative to the station file.
    environ
        The environment; ``CREDENTIALS_DIRECTORY`` (set by systemd) is where ``password_credential`` lies.

    Raises
    ------
    PlanError
        ``password_credential`` is set, and the service manager gives no credentials.
    """
    bus = plan.bus
    if bus.tls is None:
        return Access()

    def at(path: str) -> Path:
        return Path(os.path.normpath(plan.base_dir / path))

    folder = environ.get(_CREDENTIALS) or None
    own, key = bus.tls.certificate_file, bus.tls.key_file
    tls = TlsFiles(
        ca_file=at(bus.tls.ca_file),
        certificate_file=None if own is None else at(own),
        key_file=None if key is None else secret_file(at(key), folder),
        server_name=bus.tls.server_name or "",
    )
    password = None if bus.password_file is None else secret_file(at(bus.password_file), folder)
    if bus.password_credential is not None:
        password = _credential(plan, bus.password_credential, folder)
    return Access(tls=tls, username=bus.username or "", password=password)


def require_usable(access: Access, plan: StationPlan) -> None:
    """Look at every file once, so that a wrong path or mode is said at the start and not by a station that is offline.

    Raises
    ------
    PlanError
        A file is missing, cannot be read, or others may read a secret; one line for each.
    """
    looks: list[tuple[str, Callable[[], object]]] = []
    if access.tls is not None:
        tls = access.tls
        looks.append(("bus.tls.ca_file", lambda: read_public_bytes(tls.ca_file)))
        if tls.certificate_file is not None and tls.key_file is not None:
            certificate, key = tls.certificate_file, tls.key_file
            looks.append(("bus.tls.certificate_file", lambda: read_public_bytes(certificate)))
            looks.append(("bus.tls.key_file", lambda: read_secret_bytes(key, MAX_CERTIFICATE_BYTES)))
    if access.password is not None:
        password = access.password
        key_name = "bus.password_file" if plan.bus.password_credential is None else "bus.password_credential"
        looks.append((key_name, lambda: read_password(password)))
    problems = [problem for path, look in looks if (problem := _problem(path, look)) is not None]
    if problems:
        raise PlanError("\n".join(problem.line(str(plan.path)) for problem in problems))


def _problem(path: str, look: Callable[[], object]) -> Problem | None:
    try:
        look()
    except BusError as error:
        return Problem(path, str(error))
    return None


def _credential(plan: StationPlan, name: str, folder: str | None) -> SecretFile:
    if folder is None:
        text = (f'"{name}" is a credential of the service, and there is no $CREDENTIALS_DIRECTORY: the unit needs '
                f"LoadCredential={name}:FILE, or the station file password_file instead")
        raise PlanError(Problem("bus.password_credential", text).line(str(plan.path)))
    return secret_file(Path(os.path.normpath(folder)) / name, folder)
