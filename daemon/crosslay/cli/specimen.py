"""``crosslay specimen STATION.toml list|check|history|correct|recall|correlate``: reference checks.

``list``, ``history``, ``recall``, ``correct propose`` and ``correlate`` without ``--accept`` or ``--undo`` only read.
What changes anything goes to the daemon that runs, or is done here where none does.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from pathlib import Path

from crosslay.cli.options import positive
from crosslay.cli.output import emit, emit_json
from crosslay.cli.specimen_ask import ask, check_here
from crosslay.cli.specimen_show import (
    correction_lines,
    export_recalls,
    history_document,
    history_lines,
    list_document,
    list_lines,
    outcome_lines,
    proposal_document,
    recall_document,
    recall_lines,
)
from crosslay.errors import UsageError
from crosslay.inspection.correction import NoCorrection
from crosslay.plan.load import StationPlan, load_plan
from crosslay.plan.specimens import MAX_TRACES, Registered
from crosslay.record.check_rows import checks_of, correction_rows, last_usable, read_checks, recall_rows
from crosslay.record.checks import EMPTY, check_state
from crosslay.record.lock import is_locked
from crosslay.station.orders import ACCEPT, CANCEL, CHECK, UNDO, Order, new_request_id
from crosslay.station.specimen_check import proposal
from crosslay.station.standing import standing_of

_ACTIONS = ("list", "check", "history", "correct", "recall", "correlate")
_CORRECTIONS = ("propose", "accept", "undo")
#: Exit codes by what a check came to: out of tolerance is a fail, and what tells nothing is undecided.
_CODES = {"in-tolerance": 0, "warning": 0, "out-of-tolerance": 1, "not-usable": 3}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")
    actions = "list, check NAME, history NAME, correct …, recall, correlate FILE.csv"
    parser.add_argument("action", choices=_ACTIONS, help=actions)
    words = "name of the specimen; after correct: propose NAME, accept or undo; after correlate: FILE.csv"
    parser.add_argument("words", nargs="*", metavar="NAME", help=words)
    parser.add_argument("--trace", type=Path, nargs="+", action="extend", metavar="FILE",
                        help="with check: trace files of the specimen; only while no daemon runs")
    parser.add_argument("--spacing-um", type=positive, metavar="UM", help="with --trace: spacing that the file lacks")
    parser.add_argument("--traces", type=_traces, metavar="K", help="with check: how many, if not as the file says")
    parser.add_argument("--cancel", action="store_true", help="with check: end one that was asked for and waits")
    parser.add_argument("--check", metavar="ID", help="with correct accept: the check that it follows from")
    parser.add_argument("--noise-rq0-um", type=positive, metavar="UM",
                        help="with correct: noise Rq0 of the gauge, measured on an optical flat")
    deciding = "with correct and correlate, to accept or undo"
    parser.add_argument("--by", default="", metavar="WHO", help=f"{deciding}: who decides")
    parser.add_argument("--why", default="", metavar="TEXT", help=f"{deciding}: the reason")
    parser.add_argument("--export", type=Path, metavar="FILE.csv", help="with recall: write the list as CSV")
    parser.add_argument("--callout", metavar="NAME", help="with correlate: characteristic or call-out, of several")
    parser.add_argument("--variance-ratio", type=positive, metavar="R",
                        help="with correlate: variance of an in-line over a laboratory value, if U is not known")
    accepting = "with correlate: report values as the laboratory would read them, from the next part on"
    parser.add_argument("--accept", action="store_true", help=accepting)
    parser.add_argument("--undo", metavar="NAME", help="with correlate: take back what is in force for NAME")
    parser.add_argument("--list", action="store_true", help="with correlate: what was accepted, by whom, and why")
    parser.add_argument("--json", action="store_true", help="JSON, one object on each line")


def run(arguments: argparse.Namespace) -> int:
    """Do what the action says."""
    plan = load_plan(arguments.station, os.environ)
    _require_fitting(arguments)
    actions: dict[str, Callable[[StationPlan, argparse.Namespace], int]] = {
        "list": _list, "check": _check, "history": _history, "correct": _correct, "recall": _recall,
        "correlate": _correlate,
    }  # fmt: skip
    return actions[arguments.action](plan, arguments)


def _traces(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 2 <= int(text) <= MAX_TRACES):
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number from 2 to {MAX_TRACES}')
    return int(text)


#: Options that belong to one action only; what comes with another one is a slip.
_BELONG = {
    "trace": ("check",), "cancel": ("check",), "spacing_um": ("check",), "traces": ("check",), "check": ("correct",),
    "noise_rq0_um": ("correct",), "by": ("correct", "correlate"), "why": ("correct", "correlate"),
    "export": ("recall",), "callout": ("correlate",), "variance_ratio": ("correlate",), "accept": ("correlate",),
    "undo": ("correlate",), "list": ("correlate",),
}  # fmt: skip


def _require_fitting(arguments: argparse.Namespace) -> None:
    for option, actions in _BELONG.items():
        if getattr(arguments, option) and arguments.action not in actions:
            raise UsageError(f"--{option.replace('_', '-')} belongs to specimen {' and '.join(actions)}, not to "
                             f"{arguments.action}")
    number = {"check": (1, 1), "history": (1, 1), "correct": (1, 2), "correlate": (0, 1)}.get(arguments.action, (0, 0))
    if not number[0] <= len(arguments.words) <= number[1]:
        usage = {
            "check": "check NAME", "history": "history NAME", "correlate": "correlate FILE.csv or correlate --list",
            "correct": "correct propose NAME, correct accept --check ID --by WHO --why TEXT, or correct undo --by WHO "
                       "--why TEXT",
        }.get(arguments.action, arguments.action)  # fmt: skip
        raise UsageError(f"it is used so: crosslay specimen STATION.toml {usage}")


def _named(plan: StationPlan, name: str) -> Registered:
    for each in plan.specimens:
        if each.name == name:
            return each
    known = ", ".join(each.name for each in plan.specimens) or f"none; add a [[specimen]] to {plan.path}"
    raise UsageError(f'specimen "{name}" is not registered; registered: {known}')


def _list(plan: StationPlan, arguments: argparse.Namespace) -> int:
    names = tuple(each.name for each in plan.specimens)
    state = read_checks(plan.state_dir, lambda connection: check_state(connection, names)) or EMPTY
    rows = [(each, standing_of(each, state, time.time(), 0.0)) for each in plan.specimens]
    if arguments.json:
        for specimen, standing in rows:
            emit_json(list_document(specimen, standing))
    else:
        emit("\n".join(list_lines(rows, state)))
    return 0


def _check(plan: StationPlan, arguments: argparse.Namespace) -> int:
    specimen = _named(plan, arguments.words[0])
    if arguments.cancel:
        return _cancel(plan, specimen, arguments)
    if arguments.trace:
        if arguments.traces is not None:
            raise UsageError("--traces and --trace exclude each other; the files say how many there are")
        row = check_here(plan, specimen, arguments.trace, spacing_um=arguments.spacing_um)
    else:
        order = Order(name=CHECK, request_id=new_request_id(), specimen=specimen.name, traces=arguments.traces)
        if not is_locked(plan.state_dir):
            raise UsageError(
                "no daemon runs that could take traces; start it with `crosslay run`, or give trace files with --trace"
            )
        asked = ask(plan, order, quiet=arguments.json)
        assert asked is not None
        row = asked
    if arguments.json:
        emit_json(row.document | {"check": row.check_id, "outcome": row.outcome})
    else:
        emit("\n".join(outcome_lines(row)))
    return _CODES[row.outcome]


def _cancel(plan: StationPlan, specimen: Registered, arguments: argparse.Namespace) -> int:
    ask(plan, Order(name=CANCEL, request_id=new_request_id(), specimen=specimen.name), quiet=True)
    if arguments.json:
        emit_json({"cancelled": specimen.name})
    else:
        emit(f"the check on {specimen.name} is cancelled")
    return 0


def _history(plan: StationPlan, arguments: argparse.Namespace) -> int:
    specimen = _named(plan, arguments.words[0])
    rows = read_checks(plan.state_dir, lambda connection: checks_of(connection, specimen.name)) or []
    corrections = read_checks(plan.state_dir, correction_rows) or []
    if arguments.json:
        for row in rows:
            emit_json(history_document(row))
    else:
        emit("\n".join([*history_lines(specimen, rows), *correction_lines(corrections)]))
    return 0


def _correct(plan: StationPlan, arguments: argparse.Namespace) -> int:
    what, *names = arguments.words
    if what not in _CORRECTIONS:
        raise UsageError(f'correct takes {", ".join(_CORRECTIONS)}, not "{what}"')
    if (what == "propose") != bool(names):
        raise UsageError(f"correct {what} takes {'the name of a specimen' if what == 'propose' else 'no name'}")
    if what == "propose":
        return _propose(plan, _named(plan, names[0]), arguments)
    if what == "accept" and not arguments.check:
        raise UsageError("correct accept needs --check ID, the check that the correction follows from")
    order = Order(
        name=ACCEPT if what == "accept" else UNDO, request_id=new_request_id(), check_id=arguments.check or "",
        by=_text("--by", arguments.by), why=_text("--why", arguments.why), noise_rq0_um=arguments.noise_rq0_um,
    )  # fmt: skip
    ask(plan, order, quiet=arguments.json)
    rows = read_checks(plan.state_dir, correction_rows) or []
    if arguments.json:
        emit_json({"correction": next((row.amplification for row in reversed(rows) if row.undone_at is None), 1.0)})
    else:
        emit("\n".join(correction_lines(rows)[1:]))
    return 0


def _text(option: str, value: str) -> str:
    if not value.strip():
        raise UsageError(f"{option} is missing; who decides, and why, is kept with the decision")
    if len(value) > 500 or not value.isprintable():
        raise UsageError(f"{option} must be printable text of at most 500 characters")
    return value.strip()


def _propose(plan: StationPlan, specimen: Registered, arguments: argparse.Namespace) -> int:
    row = read_checks(plan.state_dir, lambda connection: last_usable(connection, specimen.name))
    if row is None:
        raise UsageError(f"specimen {specimen.name} has not been checked yet; a correction follows from a check")
    proposed = proposal(specimen, row, arguments.noise_rq0_um)
    if arguments.json:
        emit_json(proposal_document(row, proposed))
    elif isinstance(proposed, NoCorrection):
        emit(f"no correction: {proposed.reason}")
    else:
        noise = "" if arguments.noise_rq0_um is None else f" --noise-rq0-um {arguments.noise_rq0_um:g}"
        emit(f"{proposed.text}\nIts standard uncertainty is {proposed.standard_uncertainty:.2g}. To put it in force:\n"
             f"  crosslay specimen {plan.path} correct accept --check {row.check_id}{noise} --by WHO --why TEXT")
    return 3 if isinstance(proposed, NoCorrection) else 0


def _recall(plan: StationPlan, arguments: argparse.Namespace) -> int:
    rows = read_checks(plan.state_dir, recall_rows) or []
    if arguments.export is not None:
        export_recalls(rows, arguments.export)
    if arguments.json:
        for row in rows:
            emit_json(recall_document(row))
    else:
        emit("\n".join(recall_lines(rows)))
        if arguments.export is not None:
            emit(f"written to {arguments.export}")
    return 0


def _correlate(plan: StationPlan, arguments: argparse.Namespace) -> int:
    from crosslay.cli import specimen_correlate

    if arguments.accept or arguments.undo:
        arguments.by, arguments.why = _text("--by", arguments.by), _text("--why", arguments.why)
    return specimen_correlate.run(plan, arguments.words, arguments)
