"""A whole station in its own process: trace in, verdict out, the MES has it; and all that may go wrong around it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from crosslay.testing.broker import RunningBroker
from station_harness import TOPIC, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

LEDS = '[[indicator]]\nadapter = "sysfs-led"\nfolder = "leds"\naccept = "green"\nreject = "red"\nfault = "yellow"\n'


def make_leds(folder: Path) -> Path:
    for name in ("green", "red", "yellow"):
        led = folder / "leds" / name
        led.mkdir(parents=True)
        (led / "brightness").write_text("0\n")
        (led / "max_brightness").write_text("255\n")
    return folder / "leds"


def lit(leds: Path) -> dict[str, bool]:
    return {
        name: (leds / name / "brightness").read_text().strip() not in {"", "0"} for name in ("green", "red", "yellow")
    }


def test_a_trace_renamed_into_the_folder_is_a_cloudevent_within_a_second(tmp_path: Path, broker: RunningBroker) -> None:
    leds = make_leds(tmp_path)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=LEDS) as op30:
        op30.start()
        wait_for(lambda: mes.state().get("cycle") == "waiting")
        wait_for(lambda: lit(leds) == {"green": False, "red": True, "yellow": False})
        content = csv_bytes(sine_um(), part="P-0042", job="J-7")
        dropped = time.monotonic()
        op30.drop("anything.csv", content)
        wait_for(mes.results)
        assert time.monotonic() - dropped < 1.0
        wait_for(lambda: lit(leds) == {"green": True, "red": False, "yellow": False})
        [event] = mes.results()
        data = event["data"]
        assert (event["specversion"], event["type"], event["source"]) == (
            "1.0",
            "org.crosslay.result.v1",
            "urn:crosslay:plant:shafts:line3:op30",
        )
        assert event["id"] == data["resultId"]
        assert (event["subject"], event["sequence"]) == ("part/P-0042", "0000000000000000001")
        assert (data["partId"], data["jobId"], data["sequence"], data["isSimulated"]) == ("P-0042", "J-7", 1, False)
        assert (data["resultEvaluation"], data["resultEvaluationCode"]) == ("OK", 1)
        ra, rz = data["characteristics"]
        # Sine of amplitude 1 µm and 0.1 mm wavelength: Ra = 2A/π, Rz = 2A (ISO 5436-1, type C1), times the Gaussian
        # transmission of λc = 0.8 mm, 1 − 2^−64, and of λs = 2.5 µm, 2^−(2.5/100)² (ISO 16610-21).
        assert ra["value"] == pytest.approx(2 / np.pi, rel=1e-3)
        assert rz["value"] == pytest.approx(2.0, rel=2e-3)
        assert (ra["callout"], ra["upperLimit"], ra["rule"], ra["unit"], ra["evaluation"]) == (
            "Ra 0.8",
            0.8,
            "Tmax",
            "um",
            "OK",
        )
        assert data["settings"]["cutoff"] == {"value": 0.8, "unit": "mm"}
        assert data["trace"]["points"] == 9601
        [small] = wait_for(lambda: mes.payloads("v1/evaluation"))
        assert small == {"partId": "P-0042", "sequence": 1, "resultEvaluation": "OK"}
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0)
        wait_for(lambda: lit(leds) == {"green": False, "red": True, "yellow": False}, 5.0, "the end of the dwell")
        assert (op30.incoming / "done" / "anything.csv").read_bytes() == content
        [listed] = op30.results()
        assert (listed["partId"], listed["acknowledged"], listed["verdict"]) == ("P-0042", True, "pass")
        shown = op30.command("results", "show", "P-0042", "--json")
        [raw] = [message.payload for message in mes.messages if message.topic.endswith("v1/result")]
        assert shown.stdout.encode().rstrip(b"\n") == bytes(raw), "byte for byte what was sent (DC-05)"
        assert op30.stop() == 0
        assert lit(leds)["red"]


def test_a_bad_part_flashes_and_a_wrong_one_shows_fault(tmp_path: Path, broker: RunningBroker) -> None:
    leds = make_leds(tmp_path)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=LEDS) as op30:
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um(2.0)))
        wait_for(lambda: len(mes.results()) == 1)
        assert mes.results()[0]["data"]["resultEvaluation"] == "NotOK"
        assert mes.results()[0]["data"]["partId"] == "P-1", "the file's stem"
        wait_for(lambda: not lit(leds)["red"], what="REJECT flashing")
        wait_for(lambda: lit(leds)["red"], what="REJECT flashing")
        assert not lit(leds)["green"]
        op30.drop("P-2.csv", csv_bytes(sine_um(points=4000)))
        wait_for(lambda: len(mes.results()) == 2)
        short = mes.results()[1]["data"]
        assert (short["resultEvaluation"], short["characteristics"][0]["value"]) == ("Undefined", None)
        assert "too-short" in [finding["id"] for finding in short["findings"]]
        wait_for(lambda: lit(leds) == {"green": False, "red": True, "yellow": True})
        wait_for(lambda: "REJECT and FAULT" in op30.command("status").stdout, what="the status, a second later at most")
        assert op30.stop() == 0


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("half.csv", b"# spacing_um: 0.5\nz_um\n1.0\n2.", ""),
        ("binary.csv", bytes(range(256)) * 40, ""),
        ("text.csv", b"# spacing_um: 0.5\nz_um\n1.0\nfive\n", "4"),
        ("empty.csv", b"", ""),
        ("part.doc", b"x", "csv"),
    ],
)
def test_what_is_no_trace_is_put_aside_with_its_reason(
    tmp_path: Path, broker: RunningBroker, name: str, content: bytes, reason: str
) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        op30.drop(name, content)
        if name == "half.csv":  # readable, and far too short: a result, and an invalid one
            wait_for(mes.results)
            assert mes.results()[0]["data"]["resultEvaluation"] == "Undefined"
            return
        reasons = wait_for(lambda: [path for path in (op30.incoming / "refused").glob("*") if "reason" in path.name])
        assert reason in reasons[0].read_text()
        wait_for(lambda: mes.state().get("counters", {}).get("tracesRefused") == 1)
        assert "REJECT and FAULT" in mes.state()["light"]
        assert "trace-refused" in mes.state()["conditions"]
        op30.drop("good.csv", csv_bytes(sine_um()))
        wait_for(mes.results)
        assert mes.results()[0]["data"]["resultEvaluation"] == "OK"
        wait_for(lambda: "trace-refused" not in mes.state()["conditions"])
        assert op30.stop() == 0
        assert b"Traceback" not in op30.log.read_bytes()


def test_the_broker_may_be_away_at_the_start_go_and_come_back(tmp_path: Path, broker: RunningBroker) -> None:
    broker.kill()
    with station(tmp_path, broker.port, more=LEDS) as op30:
        leds = make_leds(tmp_path)
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(op30.results, what="a result in the store")
        wait_for((op30.incoming / "done" / "P-1.csv").exists)
        wait_for(lambda: lit(leds)["yellow"], what="FAULT flashing slowly")
        broker.restart()
        with bus_client(broker.port, acknowledge=True) as mes:
            wait_for(lambda: len(mes.results()) >= 1, 15)
            wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0)
            assert mes.payloads("v1/evaluation") == [], "never from the backlog"
        broker.kill()
        op30.drop("P-2.csv", csv_bytes(sine_um()))
        wait_for(lambda: len(op30.results()) == 2)
        broker.restart()
        with bus_client(broker.port, acknowledge=True) as mes:
            wait_for(lambda: [item["data"]["sequence"] for item in mes.results()] == [2], 15)
            wait_for(lambda: all(item["acknowledged"] for item in op30.results()))
        assert op30.stop() == 0


def test_a_backlog_of_old_files_never_lights_accept(tmp_path: Path, broker: RunningBroker) -> None:
    leds = make_leds(tmp_path)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=LEDS) as op30:
        path = op30.incoming / "old.csv"
        path.write_bytes(csv_bytes(sine_um()))
        os.utime(path, (time.time() - 60, time.time() - 60))
        op30.start()
        wait_for(mes.results)
        assert mes.results()[0]["data"]["resultEvaluation"] == "OK"
        deadline = time.monotonic() + 1.0
        while time.monotonic() < deadline:
            assert not lit(leds)["green"]
        wait_for(lambda: "captured" in mes.state().get("reason", ""))
        assert op30.stop() == 0


def test_a_part_measured_again_supersedes_its_result(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        op30.drop("a.csv", csv_bytes(sine_um(), part="P-7"))
        wait_for(lambda: len(mes.results()) == 1)
        op30.drop("b.csv", csv_bytes(sine_um(1.01), part="P-7"))
        wait_for(lambda: len(mes.results()) == 2)
        first, second = (item["data"] for item in mes.results())
        assert first["supersedes"] is None
        assert second["supersedes"] == first["resultId"]
        assert op30.stop() == 0


def test_a_file_found_again_after_its_commit_is_only_moved(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(mes.results)
        wait_for((op30.incoming / "done" / "P-1.csv").exists)
        op30.kill()
        (op30.incoming / "done" / "P-1.csv").rename(op30.incoming / "P-1.csv")
        op30.start()
        wait_for((op30.incoming / "done" / "P-1.csv").exists)
        op30.drop("P-2.csv", csv_bytes(sine_um()))
        wait_for(lambda: len(op30.results()) == 2)
        assert [item["partId"] for item in op30.results()] == ["P-1", "P-2"]
        assert op30.stop() == 0


def test_two_traces_for_one_part_make_one_result(tmp_path: Path, broker: RunningBroker) -> None:
    more = '[[characteristic]]\nname = "bore"\ncallout = "Ra 1.6"\n'
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=more) as op30:
        op30.start()
        op30.drop("a.csv", csv_bytes(sine_um(), part="P-1", characteristic="journal"))
        op30.drop("b.csv", csv_bytes(sine_um(2.0), part="P-1", characteristic="bore"))
        wait_for(mes.results)
        data = mes.results()[0]["data"]
        assert sorted((item["name"], item["evaluation"]) for item in data["characteristics"]) == [
            ("bore", "OK"),
            ("journal", "OK"),
            ("journal", "OK"),
        ]
        assert (data["isPartial"], len(data["traces"]), data["resultEvaluation"]) == (False, 2, "OK")
        op30.drop("c.csv", csv_bytes(sine_um(), part="P-2", characteristic="rim"))
        [reason] = wait_for(lambda: list((op30.incoming / "refused").glob("*reason*")))
        assert '"rim"' in reason.read_text()
        assert op30.stop() == 0


def test_a_part_that_stays_incomplete_is_invalid(tmp_path: Path, broker: RunningBroker) -> None:
    more = '[[characteristic]]\nname = "bore"\ncallout = "Ra 1.6"\n'
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=more) as op30:
        text = op30.file.read_text().replace('state_dir = "state"', 'state_dir = "state"\npart_timeout_s = 1.0')
        op30.file.write_text(text)
        op30.start()
        op30.drop("a.csv", csv_bytes(sine_um(), part="P-1", characteristic="journal"))
        wait_for(mes.results)
        data = mes.results()[0]["data"]
        assert (data["resultEvaluation"], data["isPartial"]) == ("Undefined", True)
        assert "no trace for bore" in data["resultEvaluationDetails"]
        assert op30.stop() == 0


def test_a_second_daemon_is_kept_out(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port) as op30:
        op30.start()
        second = op30.command("run")
        assert second.returncode == 2
        assert "another crosslay daemon" in second.stderr
        assert len(second.stderr.strip().splitlines()) == 1
        op30.kill()
        op30.start()
        assert op30.stop() == 0


def test_sigterm_stops_in_order_within_five_seconds(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port) as watcher, station(tmp_path, broker.port) as op30:
        op30.start()
        wait_for(lambda: watcher.state().get("online") is True)
        started = time.monotonic()
        assert op30.stop() == 0
        assert time.monotonic() - started < 5.0
        wait_for(
            lambda: (
                watcher.state()
                == {
                    "online": False,
                    "instanceId": watcher.state()["instanceId"],
                    "sessionNumber": watcher.state()["sessionNumber"],
                    "reason": "shutdown",
                }
            )
        )


def test_a_folder_that_goes_and_comes_back(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        wait_for(lambda: mes.state().get("cycle") == "waiting")
        op30.incoming.rename(tmp_path / "away")
        wait_for(lambda: mes.state().get("cycle") == "fault")
        assert "gauge-failed" in mes.state()["conditions"]
        assert "REJECT and FAULT" in mes.state()["light"]
        (tmp_path / "away").rename(op30.incoming)
        wait_for(lambda: mes.state().get("cycle") == "waiting", 20)
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(mes.results)
        assert op30.stop() == 0


def test_a_foreign_reader_sees_the_retained_topics(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port, bus="resend_after_s = 0.4") as op30:
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(op30.results)
        seen = subprocess.run(
            [
                "mosquitto_sub",
                "-p",
                str(broker.port),
                "-V",
                "mqttv5",
                "-t",
                f"{TOPIC}/v1/#",
                "-W",
                "8",
                "-F",
                "%r %t %p",
            ],
            capture_output=True,
            text=True,
            timeout=30,
        ).stdout.splitlines()
        retained = {line.split(" ", 2)[1]: json.loads(line.split(" ", 2)[2]) for line in seen if line.startswith("1 ")}
        identification = retained[f"{TOPIC}/v1/identification"]
        assert identification["acknowledge"] == "confirmed"
        assert identification["gauge"]["adapter"] == "file-drop"
        assert retained[f"{TOPIC}/v1/state"]["lastPart"]["partId"] == "P-1"
        assert retained[f"{TOPIC}/v1/state"]["referenceCheck"] == "none"
        assert not [line for line in seen if line.startswith(f"1 {TOPIC}/v1/result")], "results are never retained"
        assert [line for line in seen if line.startswith(f"0 {TOPIC}/v1/result ")], "sent again until acknowledged"
        assert op30.stop() == 0


def test_bad_station_files_end_with_78_and_one_sentence(tmp_path: Path) -> None:
    with station(tmp_path, 1883) as op30:
        op30.file.write_text(op30.file.read_text().replace("acknowledge", "aknowledge") + '\nfoo = "bar"\n')
        done = op30.command("run")
        assert done.returncode == 78
        assert "Traceback" not in done.stderr
        done = op30.command("status")
        assert done.returncode == 78


def test_status_and_results_without_a_daemon(tmp_path: Path) -> None:
    with station(tmp_path, 1883) as op30:
        status = op30.command("status")
        assert status.returncode == 3
        assert "nothing is judged" in status.stdout
        listed = op30.command("results", "list")
        assert listed.returncode == 2
        assert "makes it at its first start" in listed.stderr


def test_the_station_tells_the_service_manager(tmp_path: Path, broker: RunningBroker) -> None:
    import socket

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, station(tmp_path, broker.port) as op30:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        op30.start(env={"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"})
        told = [manager.recv(4096) for _ in range(4)]
        assert any(b"READY=1" in item for item in told)
        assert any(b"WATCHDOG=1" in item for item in told)
        op30.process.send_signal(signal.SIGTERM)
        while b"STOPPING=1" not in manager.recv(4096):
            pass
        assert op30.process.wait(10) == 0
        op30.process = None
