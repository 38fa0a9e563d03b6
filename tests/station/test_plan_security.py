"""The keys of ``[bus]`` that decide who may listen: what is refused, in which words, and what follows by itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from crosslay.bus.credentials import Keeping
from crosslay.errors import PlanError
from crosslay.plan.load import StationPlan, load_plan
from crosslay.station.access import access_of, require_usable

REST = """
[station]
name = "op30"
topic = "plant/shafts/line3/op30"
state_dir = "state"
[gauge]
adapter = "file-drop"
folder = "incoming"
[[characteristic]]
name = "journal"
callout = ["Ra 0.8"]
"""
TLS = '[bus.tls]\nca_file = "ca.pem"\n'


def plan_of(folder: Path, bus: str) -> StationPlan:
    path = folder / "op30.toml"
    path.write_text(f"[bus]\n{bus}\n{REST}")
    return load_plan(path, {})


@pytest.mark.parametrize(
    ("bus", "words"),
    [
        ('host = "10.1.2.3"', ["bus.host", '"10.1.2.3"', "without TLS", "[bus.tls] with ca_file is needed"]),
        ('host = "broker.example"', ["bus.host", "without TLS"]),
        ('host = "127.0.0.1"\nusername = "u"', ["bus.username", "not allowed without TLS"]),
        ('host = "localhost"\nusername = "u"\npassword_file = "p"', ["bus.username", "not allowed without TLS"]),
        (f'host = "b"\npassword_file = "p"\n{TLS}', ["bus.password_file", "without username"]),
        (f'host = "b"\nusername = "u"\npassword_file = "p"\npassword_credential = "c"\n{TLS}', ["exclude each other"]),
        (f'host = "b"\nusername = "u"\npassword_credential = "a/b"\n{TLS}', ["password_credential", "LoadCredential"]),
        (f'host = "b"\nusername = "u"\npassword_credential = ".."\n{TLS}', ["bus.password_credential"]),
        (f'host = "b"\nusername = ""\n{TLS}', ["bus.username", "1 to 256 bytes"]),
        (f'host = "b"\nusername = "u"\npassword = "hunter2"\n{TLS}', ["bus.password", "never stand in a station file"]),
        ('host = "b"\n[bus.tls]', ["bus.tls.ca_file", "is missing"]),
        ('host = "b"\n[bus.tls]\nca_file = ""', ["bus.tls.ca_file", "path of a file"]),
        (f'host = "b"\n{TLS}certificate_file = "c"', ["bus.tls", "go together"]),
        (f'host = "b"\n{TLS}key_file = "c"', ["bus.tls", "go together"]),
        (f'host = "b"\n{TLS}insecure = true', ["bus.tls.insecure", "no way to skip verification"]),
        (f'host = "b"\n{TLS}verify = false', ["bus.tls.verify", "never switched off"]),
        (f'host = "b"\n{TLS}server_name = "*.example"', ["bus.tls.server_name", "without a wildcard"]),
        ('host = "b"\ntls = true', ["bus.tls", "must be a table"]),
    ],
)
def test_what_is_unsafe_is_refused_in_one_sentence(tmp_path: Path, bus: str, words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, bus)
    (sentence,) = str(caught.value).splitlines()
    for word in words:
        assert word in sentence
    assert "hunter2" not in sentence


@pytest.mark.parametrize(
    ("bus", "port"),
    [('host = "::1"', 1883), (f'host = "b"\n{TLS}', 8883), (f'host = "127.0.0.1"\n{TLS}', 8883),
     (f'host = "b"\nport = 1234\n{TLS}', 1234), ('host = "127.0.0.1"\nport = 1234', 1234)],
)
def test_the_port_follows_from_tls(tmp_path: Path, bus: str, port: int) -> None:
    assert plan_of(tmp_path, bus).bus.port == port


def test_paths_are_relative_to_the_station_file_and_nothing_is_read_yet(tmp_path: Path) -> None:
    bus = f'host = "b"\nusername = "u"\npassword_file = "secret/word"\n{TLS}certificate_file = "/c.pem"\nkey_file = "k"'
    access = access_of(plan_of(tmp_path, bus), {})
    assert access.tls is not None
    assert (access.tls.ca_file, access.tls.certificate_file) == (tmp_path / "ca.pem", Path("/c.pem"))
    assert access.tls.key_file is not None
    assert (access.tls.key_file.path, access.tls.key_file.keeping) == (tmp_path / "k", Keeping.MODE)
    assert access.password is not None
    assert access.password.path == tmp_path / "secret" / "word"


def test_a_credential_lies_where_the_service_manager_says(tmp_path: Path) -> None:
    bus = f'host = "b"\nusername = "u"\npassword_credential = "word"\n{TLS}'
    plan = plan_of(tmp_path, bus)
    access = access_of(plan, {"CREDENTIALS_DIRECTORY": "/run/credentials/x"})
    assert access.password is not None
    assert (access.password.path, access.password.keeping) == (Path("/run/credentials/x/word"), Keeping.SERVICE_MANAGER)
    with pytest.raises(PlanError, match="LoadCredential=word:FILE"):
        access_of(plan, {})
    in_path = 'password_file = "/run/credentials/x/word"'
    by_path = plan_of(tmp_path, bus.replace('password_credential = "word"', in_path))
    password = access_of(by_path, {"CREDENTIALS_DIRECTORY": "/run/credentials/x/"}).password
    assert password is not None
    assert password.keeping is Keeping.SERVICE_MANAGER


def test_every_file_is_looked_at_before_the_start(tmp_path: Path) -> None:
    bus = f'host = "b"\nusername = "u"\npassword_file = "p"\n{TLS}certificate_file = "c"\nkey_file = "k"'
    plan = plan_of(tmp_path, bus)
    for name in ("p", "k"):
        (tmp_path / name).write_text("canary")
        (tmp_path / name).chmod(0o644)
    with pytest.raises(PlanError) as caught:
        require_usable(access_of(plan, {}), plan)
    lines = str(caught.value).splitlines()
    assert caught.value.exit_code == 78
    tls = ["bus.tls.ca_file", "bus.tls.certificate_file", "bus.tls.key_file"]
    assert [line.split(": ")[1] for line in lines] == [*tls, "bus.password_file"]
    assert "canary" not in str(caught.value)


def test_no_secret_is_part_of_the_plan(tmp_path: Path) -> None:
    (tmp_path / "p").write_text("canary")
    plan = plan_of(tmp_path, f'host = "b"\nusername = "u"\npassword_file = "p"\n{TLS}')
    for shown in (repr(plan), json.dumps(plan.document()), repr(access_of(plan, {}))):
        assert "canary" not in shown
