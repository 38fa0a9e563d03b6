"""``crosslay evaluate TRACE…``: evaluates trace files offline, with or without call-outs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from crosslay.cli.evaluate_text import report
from crosslay.cli.evaluate_wire import document
from crosslay.cli.offline import Outcome, Task, callouts_of, evaluate_file
from crosslay.cli.options import cutoff_mm, positive, sections, short_cutoff
from crosslay.cli.output import emit, emit_json, say, shown_path
from crosslay.cli.profile_out import profile_csv
from crosslay.errors import CalloutError, CrosslayError, SettingsError, UsageError
from crosslay.inspection.judge import Decision
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.motif import DEFAULT_LIMITS
from crosslay.texture.requested import read_requests
from crosslay.texture.settings import FilterKind, Standard

#: Exit code by verdict; of several traces the first of these that applies, after unreadable input.
_EXIT_CODES = {Decision.PASS: 0, Decision.FAIL: 1, Decision.INVALID: 3, Decision.UNDECIDED: 3}
_EXIT_UNREADABLE = 2
_EXIT_ORDER = (_EXIT_UNREADABLE, 3, 1, 0)
_PROGRESS_FROM = 3


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("traces", nargs="+", type=Path, metavar="TRACE", help="trace files (.csv, .smd, .x3p)")
    parser.add_argument("--json", action="store_true", help="one JSON object per trace, and nothing else")
    parser.add_argument("--callout", action="append", default=[], metavar="TEXT",
                        help='what to judge, e.g. "Ra 0.8" or "-0.8/Ra 3.2; L Rz 1"; may be repeated')
    parser.add_argument("--cutoff", type=cutoff_mm, metavar="MM",
                        help="λc in mm; without it from the call-out, else found from the trace")
    parser.add_argument("--short-cutoff", type=short_cutoff, metavar="UM|none",
                        help="λs in µm, or none; without it the one that belongs to λc")
    parser.add_argument("--sections", type=sections, metavar="N", help="section lengths, 1 to 10 (5)")
    parser.add_argument("--filter", choices=[kind.value for kind in FilterKind], metavar="NAME",
                        help=", ".join(kind.value for kind in FilterKind))
    parser.add_argument("--form", default="line", metavar="NAME", help="none, line (default), polynomial:K, arc")
    parser.add_argument("--standard", choices=[each.value for each in Standard], default=Standard.ISO_21920.value,
                        metavar="NAME", help=", ".join(each.value for each in Standard) + " (the first)")
    parser.add_argument("--parameter", action="append", default=[], metavar="TEXT",
                        help="a parameter besides those always given, e.g. Rmr(1) or Rdc(10,90); may be repeated")
    parser.add_argument("--motif", action="store_true", help="motif parameters of ISO 12085 as well")
    parser.add_argument("--spacing-um", type=positive, metavar="UM", help="spacing of a file that does not give it")
    parser.add_argument("--profile-out", type=Path, metavar="FILE",
                        help="write the filtered profiles of the one trace as CSV")


def run(arguments: argparse.Namespace) -> int:
    """Evaluate every trace; the exit code follows page *interface*."""
    task = _task(arguments)
    if arguments.profile_out is not None and len(arguments.traces) > 1:
        raise UsageError("--profile-out takes the profiles of one trace; several were named")
    codes: list[int] = []
    for place, path in enumerate(arguments.traces):
        _progress(place, len(arguments.traces))
        try:
            outcome = evaluate_file(path, task)
            if arguments.profile_out is not None:
                _write_profiles(arguments.profile_out, outcome)
        except CrosslayError as error:
            say(str(error))
            codes.append(_EXIT_UNREADABLE)
            continue
        _print(outcome, task, as_json=arguments.json, first=place == 0)
        codes.append(0 if outcome.verdict is None else _EXIT_CODES[outcome.verdict.decision])
    return next(code for code in _EXIT_ORDER if code in codes)


def _task(arguments: argparse.Namespace) -> Task:
    wanted = Wanted(
        standard=Standard(arguments.standard), cutoff_mm=arguments.cutoff, short_cutoff_um=arguments.short_cutoff,
        filter=None if arguments.filter is None else FilterKind(arguments.filter), sections=arguments.sections,
        form=arguments.form, parameters=tuple(text.replace(" ", "") for text in arguments.parameter),
        motif=DEFAULT_LIMITS if arguments.motif else None,
    )
    try:
        read_requests(wanted.parameters, wanted.standard)
        settings = wanted.settings()
        requirements = requirements_for("", callouts_of(arguments.callout), wanted)
    except (SettingsError, CalloutError) as error:
        raise UsageError(str(error)) from error
    return Task(settings=requirements[0].settings if requirements else settings, requirements=requirements,
                spacing_um=arguments.spacing_um)


def _print(outcome: Outcome, task: Task, *, as_json: bool, first: bool) -> None:
    if as_json:
        emit_json(document(outcome, task.settings))
        return
    emit(("" if first else "\n") + "\n".join(report(outcome, task.settings)))


def _write_profiles(path: Path, outcome: Outcome) -> None:
    if outcome.evaluation is None:
        raise UsageError(f"{shown_path(path)} is not written: {outcome.file} could not be evaluated")
    try:
        path.write_text(profile_csv(outcome.evaluation), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{shown_path(path)}: cannot be written: {error.strerror}") from error


def _progress(place: int, total: int) -> None:
    """Where a long list stands, on a terminal only, and only where the results do not show it."""
    if total < _PROGRESS_FROM or sys.stderr is None or not sys.stderr.isatty():
        return
    if sys.stdout is not None and sys.stdout.isatty():
        return
    end = "\n" if place == total - 1 else ""
    sys.stderr.write(f"\revaluating trace {place + 1} of {total}{end}")
    sys.stderr.flush()
