"""How often every finding is raised: on clean traces, and on traces with one fault, by kind of surface.

    .venv/bin/python tests/finding_campaign.py [--clean 3000] [--each 300] [--finding ID …] [--processes 2]

prints the tables as Markdown. `tests/inspection/test_finding_campaign.py` runs the same, short.

Whoever adds a finding writes a module with ``CASES: tuple[Case, ...]`` beside this one and names it in `SOURCES`.
Surfaces and faults are invented and seeded; the seeds here are used by nothing else, so that no limit was chosen on
these traces.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from crosslay.errors import TraceTooShortError
from crosslay.inspection.plausibility import implausible, too_short
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Finding, Severity, Trace
from inspection_surfaces import SURFACES as KINDS
from inspection_surfaces import Clean, clean, trace

#: Modules with ``CASES``.
SOURCES = ("finding_faults", "finding_measuring_faults")
SETTINGS = Settings(cutoff_mm=0.8)
_SEED = 0x5EED_0003


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One fault of one strength, and the finding that it must raise.

    Attributes
    ----------
    finding
        Identifier expected.
    fault
        What is wrong and how strongly, in words.
    spoil
        Makes the trace from a clean surface (``heights``, ``rz_um``) and a generator.
    kinds
        Surfaces that it is tried on.
    aim
        Share that must be found; None where the strength is only shown for comparison, with a third of the traces.
    limits
        Share by kind where the signal does not allow the aim: a floor that must be kept all the same.
    arguments
        Further keyword arguments of `implausible` (``history`` …), from the same generator.
    """

    finding: str
    fault: str
    spoil: Callable[[Clean, np.random.Generator], Trace]
    kinds: tuple[str, ...] = KINDS
    aim: float | None = 0.95
    limits: dict[str, float] | None = None
    settings: Settings = SETTINGS
    arguments: Callable[[np.random.Generator], dict[str, Any]] | None = None

    def least(self, kind: str) -> float:
        """Share that must be found on a kind."""
        return (self.limits or {}).get(kind, self.aim or 0.0)


def cases() -> tuple[Case, ...]:
    """Every case of every source."""
    return tuple(case for name in SOURCES for case in importlib.import_module(name).CASES)


def findings_on(spoilt: Trace, settings: Settings = SETTINGS, **arguments: Any) -> tuple[Finding, ...]:
    """All findings on one trace: those of the evaluation and those of its plausibility."""
    try:
        evaluation = evaluate(spoilt, settings)
    except TraceTooShortError as error:
        return (too_short(spoilt, settings, str(error)),)
    return (*evaluation.findings, *implausible(spoilt, (evaluation,), **arguments))


def share_found(case: Case, kind: str, count: int, *, seed: int = _SEED) -> float:
    """Share of `count` traces of a kind with the fault on which the finding is raised."""
    name = zlib.crc32(f"{case.finding} {case.fault} {kind}".encode())
    hits = 0
    for index in range(count):
        rng = np.random.default_rng([seed, name, index])
        spoilt = case.spoil(clean(kind, rng), rng)
        arguments = case.arguments(rng) if case.arguments else {}
        hits += case.finding in {each.id for each in findings_on(spoilt, case.settings, **arguments)}
    return hits / count


def clean_trace(index: int, *, seed: int = _SEED) -> tuple[str, Trace]:
    """The clean trace of that number and its kind; the range of the gauge is known for every second round."""
    rng = np.random.default_rng([seed, 1, index])
    kind = KINDS[index % len(KINDS)]
    surface = clean(kind, rng)
    facts = {"speed_mm_s": f"{rng.uniform(0.1, 1.0):.3g}", "screw_pitch_mm": "0.5"}
    return kind, trace(surface.heights, range_um=400.0 if index // len(KINDS) % 2 else None, **facts)


def alarms(indices: Iterable[int], *, seed: int = _SEED) -> Counter[tuple[str, str, Severity]]:
    """How often each finding is raised on clean traces: count by kind, finding and severity."""
    raised: Counter[tuple[str, str, Severity]] = Counter()
    for index in indices:
        kind, unspoilt = clean_trace(index, seed=seed)
        for finding in findings_on(unspoilt):
            if finding.severity is not Severity.INFO:
                raised[kind, finding.id, finding.severity] += 1
    return raised


def _measured(task: tuple[int, str, int, int]) -> float:
    number, kind, count, seed = task
    return share_found(cases()[number], kind, count, seed=seed)


def detection_table(chosen: Sequence[int], count: int, processes: int, seed: int = _SEED) -> Iterable[str]:
    """Lines of a Markdown table: a row for each case, a column for each kind, % found."""
    known = cases()
    yield f"| finding | fault | {' | '.join(KINDS)} |"
    yield "|---" * (len(KINDS) + 2) + "|"
    with ProcessPoolExecutor(processes) as pool:
        for number in chosen:
            case = known[number]
            times = count if case.aim is not None else max(1, count // 3)
            tasks = [(number, kind, times, seed) for kind in case.kinds]
            found = dict(zip(case.kinds, pool.map(_measured, tasks), strict=True))
            cells = [f"{100 * found[kind]:.0f}" if kind in found else "–" for kind in KINDS]
            yield f"| `{case.finding}` | {case.fault} | {' | '.join(cells)} |"


def alarm_lines(count: int, processes: int, seed: int = _SEED) -> Iterable[str]:
    """What clean traces raise, in words."""
    blocks = [range(first, min(first + 100, count)) for first in range(0, count, 100)]
    total: Counter[tuple[str, str, Severity]] = Counter()
    with ProcessPoolExecutor(processes) as pool:
        for raised in pool.map(partial(alarms, seed=seed), blocks):
            total += raised
    by_severity = Counter[Severity]()
    for (_, _, severity), times in total.items():
        by_severity[severity] += times
    yield (
        f"{count} clean traces: {by_severity[Severity.INVALID]} invalid, {by_severity[Severity.WARNING]} warnings "
        f"({100 * by_severity[Severity.WARNING] / count:.2f} %)."
    )
    for (kind, finding, severity), times in sorted(total.items(), key=str):
        yield f"- {kind}: `{finding}` ({severity.value}) {times} times"


def main(arguments: Sequence[str]) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clean", type=int, default=3000)
    parser.add_argument("--each", type=int, default=300)
    parser.add_argument("--finding", action="append")
    parser.add_argument("--seed", type=int, default=_SEED, help="another one while limits are being chosen")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args(arguments)
    chosen = [i for i, case in enumerate(cases()) if asked.finding is None or case.finding in asked.finding]
    if asked.clean:
        for line in alarm_lines(asked.clean, asked.processes, asked.seed):
            print(line, flush=True)
        print()
    for line in detection_table(chosen, asked.each, asked.processes, asked.seed) if asked.each else ():
        print(line, flush=True)


if __name__ == "__main__":
    from finding_campaign import main as measured_by_name  # one copy of this module, the one that the sources import

    measured_by_name(sys.argv[1:])
