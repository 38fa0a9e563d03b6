"""``crosslay evaluate TRACE…``: evaluates trace files offline, with or without call-outs."""

from __future__ import annotations

import argparse
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from crosslay.cli.evaluate_text import report
from crosslay.cli.evaluate_wire import document
from crosslay.cli.jobs import in_order, usual_jobs
from crosslay.cli.offline import EXIT_CODES, Outcome, Task, callouts_of, evaluate_file
from crosslay.cli.options import cutoff_mm, jobs, not_negative, positive, sections, short_cutoff
from crosslay.cli.output import emit, json_line, say, shown_path
from crosslay.cli.profile_out import profile_csv
from crosslay.cli.progress import Progress
from crosslay.cli.same_part import gauge_of, judge_same_part
from crosslay.cli.units import HeightUnit, in_unit
from crosslay.errors import CalloutError, CrosslayError, SettingsError, UsageError
from crosslay.inspection.acceptance import DecisionRule, Policy
from crosslay.inspection.judge import Requirement, with_opposites
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.motif import DEFAULT_LIMITS
from crosslay.texture.requested import read_requests
from crosslay.texture.settings import FilterKind, Standard

_EXIT_UNREADABLE = 2
#: Of several traces the first of these that applies.
_EXIT_ORDER = (_EXIT_UNREADABLE, 3, 1, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """How a result is shown, and where the profiles of a single one go."""

    as_json: bool
    unit: HeightUnit
    profile_out: Path | None


@dataclass(frozen=True, slots=True)
class Done:
    """What is left of one trace: its text or its error, and its exit code. Small, so that it travels cheaply."""

    code: int
    text: str = ""
    error: str = ""


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
    parser.add_argument("--waviness-cutoff", type=positive, metavar="MM",
                        help="λf in mm; without it waviness is not band-limited")
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
    parser.add_argument("--smaller-tip", type=not_negative, metavar="UM",
                        help="also what a tip of this radius, in µm, would have given; the file must name the radius "
                             "of the tip that traced it (tip_radius_um); 0 asks for the surface itself")
    parser.add_argument("--unit", choices=[each.value for each in HeightUnit], default=HeightUnit.MICROMETRE.value,
                        help="unit of heights: um (default) or uin; lengths stay in mm, settings and findings in the "
                             "unit that they name")
    parser.add_argument("--budget", type=Path, metavar="STATION.toml",
                        help="the uncertainty of each judged value, from [uncertainty] of this station file, with its "
                             "budget")
    parser.add_argument("--expanded-uncertainty", type=positive, metavar="U",
                        help="expanded uncertainty of the judged value, in the unit of its call-out")
    parser.add_argument("--coverage-factor", type=positive, metavar="K", help="k of U (2)")
    parser.add_argument("--decision-rule", choices=[each.value for each in DecisionRule], metavar="NAME",
                        default=DecisionRule.SIMPLE.value,
                        help="simple (default), or iso-14253-1: guard bands of 1.65 u in which nothing is proven")
    parser.add_argument("--same-part", action="store_true",
                        help="all traces are of one part: judge them together by the rule in force (Tmax, T16%%, Tmed)")
    parser.add_argument("--jobs", type=jobs, metavar="N",
                        help="processes; without it all cores for many traces, one for few")
    parser.add_argument("--profile-out", type=Path, metavar="FILE",
                        help="write the profiles of the one trace as CSV: x_mm, z_um (as traced), primary_um, "
                             "mean_line_um (λc), roughness_um, waviness_um (in the evaluation length), in_window (1 "
                             "there); heights always in µm")


def run(arguments: argparse.Namespace) -> int:
    """Evaluate every trace; the exit code follows page *interface*."""
    task, traces = _task(arguments), arguments.traces
    if arguments.same_part:
        return judge_same_part(arguments, task)
    if arguments.profile_out is not None and len(traces) > 1:
        raise UsageError("--profile-out takes the profiles of one trace; several were named")
    show = Show(as_json=arguments.json, unit=HeightUnit(arguments.unit), profile_out=arguments.profile_out)
    processes = min(usual_jobs(len(traces)) if arguments.jobs is None else arguments.jobs, len(traces))
    progress, codes, printed = Progress("evaluating trace", len(traces)), set[int](), False
    progress.show(0)
    with closing(in_order(partial(evaluate_and_show, task=task, show=show), traces, jobs=processes)) as results:
        for place, result in enumerate(results):
            done = _lost(traces[place]) if result is None else result
            codes.add(done.code)
            progress.clear()
            if done.error:
                say(done.error)
            else:
                emit(("\n" if printed and not show.as_json else "") + done.text)
                printed = True
            if place + 1 < len(traces):
                progress.show(place + 1)
    return next(code for code in _EXIT_ORDER if code in codes)


def evaluate_and_show(path: Path, *, task: Task, show: Show) -> Done:
    """Evaluate one file, in this process or another, to what is printed of it."""
    try:
        outcome = evaluate_file(path, task)
        if show.profile_out is not None:
            _write_profiles(show.profile_out, outcome)
    except CrosslayError as error:
        return Done(code=_EXIT_UNREADABLE, error=str(error))
    code = 0 if outcome.verdict is None else EXIT_CODES[outcome.verdict.decision]
    shown = in_unit(outcome, show.unit)
    if show.as_json:
        return Done(code=code, text=json_line(document(shown, task.settings)))
    return Done(code=code, text="\n".join(report(shown, task.settings)))


def _lost(path: Path) -> Done:
    return Done(code=_EXIT_UNREADABLE,
                error=f"{shown_path(path)}: the process that evaluated it ended without a result; something "
                      "killed it, perhaps for want of memory. Evaluate it by itself, with --jobs 1.")


def _task(arguments: argparse.Namespace) -> Task:
    wanted = Wanted(
        standard=Standard(arguments.standard), cutoff_mm=arguments.cutoff, short_cutoff_um=arguments.short_cutoff,
        waviness_cutoff_mm=arguments.waviness_cutoff,
        filter=None if arguments.filter is None else FilterKind(arguments.filter), sections=arguments.sections,
        form=arguments.form, parameters=tuple(text.replace(" ", "") for text in arguments.parameter),
        motif=DEFAULT_LIMITS if arguments.motif else None,
    )
    try:
        read_requests(wanted.parameters, wanted.standard)
        settings = wanted.settings()
        requirements = _accepted(requirements_for("", callouts_of(arguments.callout), wanted), arguments)
    except (SettingsError, CalloutError) as error:
        raise UsageError(str(error)) from error
    return Task(settings=requirements[0].settings if requirements else settings, requirements=requirements,
                spacing_um=arguments.spacing_um, smaller_tip_um=arguments.smaller_tip,
                known_gauge=None if arguments.budget is None else gauge_of(arguments.budget))


def _accepted(found: tuple[Requirement, ...], arguments: argparse.Namespace) -> tuple[Requirement, ...]:
    """Requirements with the decision rule and the uncertainty of the command line."""
    rule, given = DecisionRule(arguments.decision_rule), arguments.expanded_uncertainty
    parameters = {each.callout.parameter for each in found}
    if (given is not None or rule is not DecisionRule.SIMPLE or arguments.budget is not None) and not found:
        raise UsageError("an uncertainty and a decision rule belong to a call-out; name one with --callout")
    if given is not None and (len(parameters) > 1 or arguments.budget is not None):
        raise UsageError("--expanded-uncertainty is one number for one parameter, instead of --budget; leave one out")
    if given is None and arguments.coverage_factor is not None:
        raise UsageError("--coverage-factor belongs to --expanded-uncertainty; give both")
    if rule is not DecisionRule.SIMPLE and given is None and arguments.budget is None:
        raise UsageError(f"{rule.value} decides by the uncertainty; give --expanded-uncertainty or --budget")
    policy = Policy(decision_rule=rule, expanded_uncertainty=given, coverage_factor=arguments.coverage_factor or 2.0)
    return tuple(replace(each, policy=policy) for each in with_opposites(found))


def _write_profiles(path: Path, outcome: Outcome) -> None:
    if outcome.evaluation is None:
        raise UsageError(f"{shown_path(path)} is not written: {outcome.file} could not be evaluated")
    try:
        path.write_text(profile_csv(outcome.trace, outcome.evaluation), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{shown_path(path)}: cannot be written: {error.strerror}") from error
