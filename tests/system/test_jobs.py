"""Work in several processes: what is killed costs its own item and no other, and nothing waits for ever.

Each test runs a program of its own, because the processes import the program that starts them.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import psutil
import pytest

from campaign_counts import campaign_count

WAIT_S = 60.0
ROUNDS = campaign_count("CROSSLAY_JOB_KILLS", short=1, full=100)

PROGRAM = '''
import os, random, signal, sys, threading, time
from crosslay.cli.jobs import in_order

def work(item):
    kind, number = item
    if kind == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "leave":
        os._exit(3)
    if kind == "die while sending":
        threading.Timer(0.001 * number, os.kill, (os.getpid(), signal.SIGKILL)).start()
        return bytes(200_000_000)
    if kind == "slow":
        time.sleep(0.05)
    if kind == "hang":
        time.sleep(1000)
    return number if kind != "big" else str(number) * 1_000_000

def workers():
    """Children without the standard library's tracker, which ends with the program."""
    found = []
    for each in open(f"/proc/self/task/{os.getpid()}/children").read().split():
        try:
            words = open(f"/proc/{each}/cmdline").read()
        except OSError:
            continue
        if "spawn_main" in words:
            found.append(int(each))
    return found

if __name__ == "__main__":
'''


def start(folder: Path, body: str) -> subprocess.Popen[str]:
    (folder / "program.py").write_text(PROGRAM + textwrap.indent(textwrap.dedent(body), "    "), "utf-8")
    return subprocess.Popen([sys.executable, "program.py"], cwd=folder, text=True, stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE)


def output(folder: Path, body: str) -> str:
    with start(folder, body) as program:
        try:
            out, err = program.communicate(timeout=WAIT_S)
        except subprocess.TimeoutExpired:
            program.kill()
            raise
    assert (program.returncode, err) == (0, "")
    return out


@pytest.mark.parametrize("jobs", [2, 3])
@pytest.mark.parametrize("kind", ["die", "leave"])
def test_a_process_that_ends_costs_its_own_item_alone(tmp_path, kind, jobs):
    deaths = (0, 1, 7, 8, 9, 29)
    out = output(tmp_path, f'''
        items = [("{kind}" if n in {deaths} else "plain", n) for n in range(30)]
        print(list(in_order(work, items, jobs={jobs})))
    ''')
    assert out == f"{[None if n in deaths else n for n in range(30)]}\n"


def test_all_may_die(tmp_path):
    assert output(tmp_path, 'print(list(in_order(work, [("die", 0)] * 8, jobs=3)))') == f"{[None] * 8}\n"


@pytest.mark.parametrize("_round", range(ROUNDS))
def test_killed_in_the_middle_of_a_large_result(tmp_path, _round):
    """Some are killed before the first byte, some within 200 MB, some after the last: each is whole or None."""
    out = output(tmp_path, '''
        delays = [0, 30, 60, 90, 120, 400]
        items = [("die while sending", each) for each in delays] + [("plain", n) for n in range(6)]
        *large, a, b, c, d, e, f = in_order(work, items, jobs=2)
        print(all(each is None or len(each) == 200_000_000 for each in large), large.count(None) > 0, a, b, c, d, e, f)
    ''')
    whole, died, *plain = out.split()
    assert (whole, died) == ("True", "True")
    # A timer may strike its process after the large result, with the next item in hand.
    assert all(each in (str(n), "None") for n, each in enumerate(plain))


@pytest.mark.parametrize("_round", range(ROUNDS))
def test_processes_killed_at_random_moments_lose_at_most_what_they_had_in_hand(tmp_path, _round):
    out = output(tmp_path, '''
        ran = random.Random()
        killed, found = 0, []
        results = in_order(work, [("slow", n) for n in range(60)], jobs=2)
        for result in results:
            found.append(result)
            if ran.random() < 0.3:
                try:
                    os.kill(ran.choice(workers()), signal.SIGKILL)
                    killed += 1
                except (ProcessLookupError, IndexError):
                    pass
        lost = found.count(None)
        print(lost <= killed, len(found), all(each in (None, n) for n, each in enumerate(found)))
    ''')
    assert out == "True 60 True\n"


def test_large_results_come_whole_and_in_order(tmp_path):
    out = output(tmp_path, '''
        items = [("big", n % 10) for n in range(40)]
        print([each == str(n % 10) * 1_000_000 for n, each in enumerate(in_order(work, items, jobs=2))].count(True))
    ''')
    assert out == "40\n"


def test_leaving_early_ends_every_process_at_once(tmp_path):
    out = output(tmp_path, '''
        results = in_order(work, [("plain", 0)] + [("hang", n) for n in range(10)], jobs=3)
        print(next(results), len(workers()))
        begin = time.monotonic()
        results.close()
        print(time.monotonic() - begin < 5, len(workers()))
    ''')
    assert out == "0 3\nTrue 0\n"


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_nothing_is_left_of_processes_that_hang(tmp_path, end):
    with start(tmp_path, 'list(in_order(work, [("hang", n) for n in range(4)], jobs=2))') as program:
        deadline = time.monotonic() + WAIT_S
        while len(workers := psutil.Process(program.pid).children(recursive=True)) < 3:
            assert time.monotonic() < deadline
            time.sleep(0.02)
        os.kill(program.pid, end)
        program.communicate(timeout=WAIT_S)
    _gone, alive = psutil.wait_procs(workers, timeout=WAIT_S)
    assert alive == []
