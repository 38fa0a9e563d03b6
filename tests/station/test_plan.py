"""Station files: what is read, and that everything wrong with one is said with its place."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import PlanError
from crosslay.plan import load
from crosslay.plan.load import StationPlan, load_plan
from crosslay.plan.models import is_loopback

EXAMPLES = sorted((Path(__file__).parents[2] / "config" / "stations").glob("*.toml"))

STATION = '[station]\nname = "op30"\ntopic = "plant/shafts/line3/op30"\n'
GAUGE = '[gauge]\nadapter = "file-drop"\nfolder = "incoming"\n'
BUS = '[bus]\nhost = "127.0.0.1"\n'
CHARACTERISTIC = '[[characteristic]]\nname = "journal"\ncallout = ["Ra 0.8", "Rz 6.3"]\n'


def write(folder: Path, text: str | bytes, name: str = "op30.toml") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def plan_of(folder: Path, text: str, environ: dict[str, str] | None = None, name: str = "op30.toml") -> StationPlan:
    return load_plan(write(folder, text, name), environ or {})


def refusal(folder: Path, text: str | bytes, environ: dict[str, str] | None = None) -> list[str]:
    path = write(folder, text)
    with pytest.raises(PlanError) as caught:
        load_plan(path, environ or {})
    assert caught.value.exit_code == 78
    lines = str(caught.value).split("\n")
    assert all(line.startswith(str(path)) for line in lines)
    return [line.removeprefix(str(path)).removeprefix(": ") for line in lines]


# --- good files ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_is_right(path):
    plan = load_plan(path, {})
    assert plan.requirements
    json.dumps(plan.document(), allow_nan=False)


def test_there_are_examples():
    assert {"least", "shaft-line", "honed-bore", "simulated"} <= {path.stem for path in EXAMPLES}


def test_the_least_file_and_its_defaults(tmp_path):
    plan = plan_of(tmp_path, STATION + GAUGE + BUS + CHARACTERISTIC)
    assert (plan.name, plan.topic, plan.source) == (
        "op30", "plant/shafts/line3/op30", "urn:crosslay:plant:shafts:line3:op30")
    assert plan.base_dir == tmp_path
    assert plan.state_dir == Path("/var/lib/crosslay/op30")
    assert (plan.bus.port, plan.bus.acknowledge, plan.bus.protocol, plan.bus.window) == (1883, "confirmed", "5", 20)
    assert (plan.bus.resend_after_s, plan.bus.keepalive_s) == (3.0, 10)
    assert (plan.light.dwell_s, plan.light.max_age_s, plan.light.idle) == (2.0, 10.0, "reject")
    assert (plan.station.part_timeout_s, plan.station.log_level) == (60.0, "info")
    assert plan.gauge_name == "file-drop"
    assert plan.gauge_config.folder in {Path("incoming"), "incoming"}
    assert plan.gauge_class.simulated is False
    assert plan.indicators == ()
    assert plan.characteristics == ("journal",)
    assert [(each.characteristic, each.callout.text, each.settings.cutoff_mm) for each in plan.requirements] == [
        ("journal", "Ra 0.8", 0.8), ("journal", "Rz 6.3", 0.8)]
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan.name = "op31"


def test_settings_of_a_characteristic_reach_its_requirements(tmp_path):
    own = ('[[characteristic]]\nname = "a"\ncallout = "Ra 0.8"\nstandard = "iso-4287"\nfilter = "spline"\n'
           'cutoff_mm = 0.25\nshort_cutoff_um = "none"\nsections = 3\nform = "polynomial:2"\nskip_start_mm = 0.1\n'
           "skip_end_mm = 0.2\nfeed_mm = 0.11\n")
    (requirement,) = plan_of(tmp_path, STATION + GAUGE + BUS + own).requirements
    got = requirement.settings
    assert (got.standard.value, got.filter.value, got.cutoff_mm, got.short_cutoff_um, got.sections, got.form,
            got.skip_start_mm, got.skip_end_mm) == ("iso-4287", "spline", 0.25, None, 3, "polynomial:2", 0.1, 0.2)
    assert requirement.feed_mm == 0.11


def test_a_mark_of_unicode_order_and_crlf_are_no_matter(tmp_path):
    text = (STATION + GAUGE + BUS + CHARACTERISTIC).replace("\n", "\r\n")
    assert load_plan(write(tmp_path, b"\xef\xbb\xbf" + text.encode()), {}).name == "op30"


def test_state_dir(tmp_path):
    own = STATION + 'state_dir = "state/../here"\n' + GAUGE + BUS + CHARACTERISTIC
    assert plan_of(tmp_path, own).state_dir == tmp_path / "here"
    none = STATION + GAUGE + BUS + CHARACTERISTIC
    assert plan_of(tmp_path, none, {"STATE_DIRECTORY": "/var/lib/x"}).state_dir == Path("/var/lib/x")
    assert plan_of(tmp_path, none, {"STATE_DIRECTORY": "/var/lib/x:/var/lib/y"}).state_dir == Path("/var/lib/x")
    assert plan_of(tmp_path, own, {"STATE_DIRECTORY": f"{tmp_path}/here/"}).state_dir == tmp_path / "here"
    (line,) = refusal(tmp_path, own, {"STATE_DIRECTORY": "/var/lib/x"})
    assert line.startswith("station.state_dir: ")
    assert "/var/lib/x" in line
    assert str(tmp_path / "here") in line


def test_the_hash_is_of_the_content_and_not_of_the_place(tmp_path):
    text = STATION + GAUGE + BUS + CHARACTERISTIC
    (tmp_path / "other").mkdir()
    first, second = plan_of(tmp_path, text), plan_of(tmp_path / "other", "# a remark\n" + text + "\n\n")
    assert first.plan_hash == second.plan_hash
    assert first.plan_id == second.plan_id == f"op30-{first.plan_hash[:12]}"
    assert plan_of(tmp_path, text, name="b.toml").plan_id.startswith("b-")
    for changed in (text.replace("0.8", "0.9"), text.replace('"incoming"', '"in"'), text + "sections = 4\n",
                    text.replace("[bus]", "[light]\ndwell_s = 3\n[bus]")):
        assert plan_of(tmp_path, changed).plan_hash != first.plan_hash
    explicit = text.replace('"127.0.0.1"\n', '"127.0.0.1"\nport = 1883\n')
    assert plan_of(tmp_path, explicit).plan_hash == first.plan_hash


def test_the_document_has_every_default_and_is_a_copy(tmp_path):
    plan = plan_of(tmp_path, STATION + GAUGE + BUS + CHARACTERISTIC)
    document = plan.document()
    assert document["bus"]["acknowledge"] == "confirmed"
    assert document["gauge"]["adapter"] == "file-drop"
    assert document["characteristic"][0]["callout"] == ["Ra 0.8", "Rz 6.3"]
    document["bus"].clear()
    assert plan.document()["bus"]["port"] == 1883


def test_the_file_is_read_once_and_nothing_else_is_touched(tmp_path, monkeypatch):
    path = write(tmp_path, STATION + GAUGE + BUS + CHARACTERISTIC + '[[indicator]]\nadapter = "log-only"\n')
    load_plan(path, {})  # imports
    opened = []
    original = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *a, **k: opened.append(self) or original(self, *a, **k))
    load_plan(path, {})
    assert [each for each in opened if each.suffix == ".toml"] == [path]
    assert sorted(tmp_path.iterdir()) == [path]


def test_a_simulated_gauge_drives_no_real_light(tmp_path):
    simulated = STATION + '[gauge]\nadapter = "simulated"\n' + BUS + CHARACTERISTIC
    assert plan_of(tmp_path, simulated + '[[indicator]]\nadapter = "log-only"\n').indicators[0].name == "log-only"
    leds = '[[indicator]]\nadapter = "sysfs-led"\nreject = "red"\n'
    (line,) = refusal(tmp_path, simulated + leds)
    assert line.startswith("indicator[0]: ")
    assert "simulated" in line
    assert plan_of(tmp_path, simulated + leds + 'folder = "leds"\n').gauge_class.simulated is True
    assert plan_of(tmp_path, STATION + GAUGE + BUS + CHARACTERISTIC + leds).indicators[0].name == "sysfs-led"


# --- wrong files -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "path", "words"),
    [
        (('"op30"\ntopic', '"Op 30"\ntopic'), "station.name", ['"Op 30"', "a-z"]),
        (('name = "op30"\ntopic', "topic"), "station.name", ["is missing"]),
        (("line3/op30", "+/op30"), "station.topic", ["wildcards"]),
        (("line3/op30", "#"), "station.topic", ["wildcards"]),
        (("line3", "Line3"), "station.topic", ["lower case", '"plant/shafts/line3/op30"']),
        (("plant/shafts", "/plant"), "station.topic", ["beginning or end"]),
        (("line3/op30", "line3/"), "station.topic", ["beginning or end"]),
        (("shafts/line3", "shafts//line3"), "station.topic", ['single "/"']),
        (("line3", "line 3"), "station.topic", ["a-z"]),
        (("plant/", "a/b/c/d/e/f/"), "station.topic", ["at most 8"]),
        (('op30"\n[gauge]', 'op30"\nsource = "no uri"\n[gauge]'), "station.source", ["URI"]),
        (('op30"\n[gauge]', 'op30"\npart_timeout_s = 0\n[gauge]'), "station.part_timeout_s", ["above 0"]),
        (('op30"\n[gauge]', 'op30"\npart_timeout_s = inf\n[gauge]'), "station.part_timeout_s", ["finite"]),
        (('op30"\n[gauge]', 'op30"\nlog_level = "verbose"\n[gauge]'), "station.log_level", ['"warning"']),
        (('"file-drop"', '"file-dorp"'), "gauge.adapter", ['did you mean "file-drop"', '"simulated"']),
        (('"file-drop"', "3"), "gauge.adapter", ["text in quotes"]),
        (('folder = "incoming"', ""), "gauge.folder", ["is missing"]),
        (('folder = "incoming"', 'folder = "x"\nfolders = 1'), "gauge.folders", ["unknown key"]),
        (('"127.0.0.1"', '"broker.plant.example"'), "bus.host", ["is not this computer", "TLS"]),
        (('"127.0.0.1"', '"mqtt://127.0.0.1"'), "bus.host", ["alone"]),
        (('"127.0.0.1"', '"127.0.0.1"\nport = 0'), "bus.port", ["0 is not allowed", "at least 1"]),
        (('"127.0.0.1"', '"127.0.0.1"\nport = 65536'), "bus.port", ["at most 65535"]),
        (('"127.0.0.1"', '"127.0.0.1"\nport = "1883"'), "bus.port", ["whole number"]),
        (('"127.0.0.1"', '"127.0.0.1"\nport = 1883.0'), "bus.port", ["whole number"]),
        (('"127.0.0.1"', '"127.0.0.1"\nport = true'), "bus.port", ["whole number"]),
        (('"127.0.0.1"', '"127.0.0.1"\nacknowledge = "confirmd"'), "bus.acknowledge",
         ['"confirmd" is not allowed; allowed: "confirmed", "broker"']),
        (('"127.0.0.1"', '"127.0.0.1"\nacknowlege = "broker"'), "bus.acknowlege", ['did you mean "acknowledge"']),
        (('"127.0.0.1"', '"127.0.0.1"\nwindow = 0'), "bus.window", ["at least 1"]),
        (('"127.0.0.1"', '"127.0.0.1"\nprotocol = "3.1.1"\nacknowledge = "broker"'), "bus", ["confirmed"]),
        (('"127.0.0.1"', '"127.0.0.1"\nusername = "me"'), "bus.username", ["TLS"]),
        (('"127.0.0.1"', '"127.0.0.1"\npassword = "x"'), "bus.password", ["is not allowed", "secret"]),
        (("[bus]", "[light]\ndwell_ms = 200\n[bus]"), "light.dwell_ms", ['did you mean "dwell_s"']),
        (("[bus]", "[light]\nidle = 1\n[bus]"), "light.idle", ['"reject", "hold"']),
        (("[bus]", "[lihgt]\n[bus]"), "lihgt", ['did you mean "light"']),
        (('"journal"', '""'), "characteristic[0].name", ["must not be empty"]),
        (('["Ra 0.8", "Rz 6.3"]', "[]"), "characteristic[0].callout", ["must not be empty"]),
        (('["Ra 0.8", "Rz 6.3"]', '["Ra 0.8", "Rz 6.3x"]'), "characteristic[0].callout[1]", ["character 7"]),
        (('["Ra 0.8", "Rz 6.3"]', '"ra 0.8"'), "characteristic[0].callout", ["character 1", '"Ra" would be right']),
        (('["Ra 0.8", "Rz 6.3"]', '["Ra 0.8", 3]'), "characteristic[0].callout[1]", ["text in quotes"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\ncutoff_mm = 800'), "characteristic[0].cutoff_mm", ["in mm"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nshort_cutoff_um = 0.0025'), "characteristic[0].short_cutoff_um",
         ["in µm"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nshort_cutoff_um = "no"'), "characteristic[0].short_cutoff_um", ['"none"']),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nshort_cutoff_um = 900.0'), "characteristic[0]", ["λs", "not below"]),
        (('["Ra 0.8", "Rz 6.3"]', '"-2.5/Ra 0.8"\ncutoff_mm = 0.8'), "characteristic[0]", ["leave one out"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nsections = 11'), "characteristic[0].sections", ["at most 10"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nfeed_mm = 0'), "characteristic[0].feed_mm", ["above 0"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nform = "cubic"'), "characteristic[0].form", ["polynomial:K"]),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nstandard = "iso"'), "characteristic[0].standard", ['"iso-21920"']),
        (('["Ra 0.8", "Rz 6.3"]', '"Ra 0.8"\nfilter = "gauss"'), "characteristic[0].filter", ['"gaussian"']),
        (('["Ra 0.8", "Rz 6.3"]', '"Rzx 0.8"\nstandard = "iso-4287"'), "characteristic[0]", ["Rzx"]),
        (("[[characteristic]]", "[characteristic]"), "characteristic", ["list"]),
    ],
)
def test_each_mistake_is_said_with_its_place(tmp_path, change, path, words):
    text = STATION + GAUGE + BUS + CHARACTERISTIC
    assert change[0] in text
    (line,) = refusal(tmp_path, text.replace(*change, 1))
    assert line.startswith(f"{path}: ")
    for word in words:
        assert word in line


def test_names_are_unique(tmp_path):
    (line,) = refusal(tmp_path, STATION + GAUGE + BUS + CHARACTERISTIC + CHARACTERISTIC)
    assert line.startswith('characteristic[1].name: "journal" is not allowed')
    assert "characteristic[0]" in line


def test_at_least_one_characteristic(tmp_path):
    assert refusal(tmp_path, STATION + GAUGE + BUS) == ["characteristic: is missing"]
    assert "must not be empty" in refusal(tmp_path, "characteristic = []\n" + STATION + GAUGE + BUS)[0]


def test_everything_wrong_is_said_at_once(tmp_path):
    text = (STATION.replace("op30", "OP", 1) + GAUGE.replace("folder", "foldr") + BUS.replace("127.0.0.1", "10.0.0.1")
            + '[[indicator]]\nadapter = "sysfs"\n' + CHARACTERISTIC.replace("Ra 0.8", "Ra"))
    lines = refusal(tmp_path, text)
    assert {line.split(":")[0] for line in lines} == {
        "station.name", "gauge.folder", "gauge.foldr", "bus.host", "indicator[0].adapter",
        "characteristic[0].callout[0]"}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"), (b"  \n\n", "is empty"), (b"\xff\xfe\x00", ":1: is not UTF-8"),
        (b"a = 1\n# \xe4\n", ":2: is not UTF-8"), (b"[station]\nname = = 3\n", ":2: is not valid TOML"),
        (b"[station]\n[station]\n", ":2: is not valid TOML"), (b'[station]\nname = "x', "is not valid TOML"),
        (b"\x00" * 100, "is not valid TOML"), (b"#" * (load.MAX_BYTES + 1), "larger than"),
        (b"a = " + b"[" * 100_000, "is not valid TOML"),
    ],
)
def test_what_is_no_station_file(tmp_path, content, words):
    with pytest.raises(PlanError, match=r"op30\.toml") as caught:
        load_plan(write(tmp_path, content), {})
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there_or_a_folder(tmp_path):
    with pytest.raises(PlanError, match="no such file"):
        load_plan(tmp_path / "none.toml", {})
    with pytest.raises(PlanError, match="folder"):
        load_plan(tmp_path, {})
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(write(tmp_path, "") / "below.toml", {})


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("localhost", True), ("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("[::1]", True),
        ("10.0.0.1", False), ("0.0.0.0", False), ("localhost.example", False), ("::", False), ("128.0.0.1", False),
        ("127.0.0.1.example", False),
    ],
)
def test_what_counts_as_this_computer(host, here):
    assert is_loopback(host) is here


_scalars = st.one_of(st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.none())
_values = st.recursive(_scalars, lambda inner: st.one_of(
    st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)), max_leaves=8)


@given(section=st.sampled_from(["station", "gauge", "bus", "light", "indicator", "characteristic"]), value=_values)
def test_no_content_breaks_the_reader(section, value):
    """Any value anywhere gives problems with a path or a plan, never another exception."""
    whole = {"station": {"name": "a", "topic": "b"}, "gauge": {"adapter": "simulated"}, "bus": {"host": "::1"},
             "characteristic": [{"name": "c", "callout": "Ra 0.8"}]}
    _file, problems = load._validate(whole | {section: value})
    assert all(problem.text for problem in problems)
