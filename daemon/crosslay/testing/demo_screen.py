"""What the demo shows: a table for people, or one JSON object per line."""

from __future__ import annotations

import json
import os
import textwrap
from dataclasses import dataclass
from typing import Any, Protocol, TextIO

from crosslay.testing.broker import BrokerKind, RunningBroker
from crosslay.testing.demo_scenario import CALLOUTS, Scenario
from crosslay.testing.demo_watch import PartSeen

_VERDICTS = {"OK": "pass", "NotOK": "fail", "NotDecidable": "undecided", "Undefined": "invalid"}
#: Words for the cycle states of ``v1/state``.
_CYCLE = {"": "the daemon starts", "idle": "the daemon starts", "waiting": "waiting for the next part",
          "capturing": "the stylus travels", "evaluating": "computing", "deciding": "deciding",
          "fault": "the gauge is at fault", "stopping": "stopping"}
_WIDTH = 84
_GREEN, _RED, _YELLOW, _DIM, _PLAIN = "\033[32m", "\033[31m", "\033[33m", "\033[2m", "\033[0m"
_COLOURS = {"OK": _GREEN, "NotOK": _RED, "NotDecidable": _YELLOW, "Undefined": _YELLOW}


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """What both sides have at the end.

    Attributes
    ----------
    stored, acknowledged
        Results in the station's store, and those of them that it knows to be safe at the MES.
    at_mes, duplicates
        Different results in the MES's database, and how many came more than once.
    differences
        What does not fit, in sentences; empty where all is well.
    """

    stored: int
    acknowledged: int
    at_mes: int
    duplicates: int
    differences: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether both sides have the same."""
        return not self.differences


class Screen(Protocol):
    """Something that shows a run."""

    def begin(self, scenario: Scenario, broker: RunningBroker) -> None:
        """Everything was started."""

    def waiting(self, state: dict[str, Any]) -> None:
        """Nothing new; the latest ``v1/state``."""

    def part(self, part: PartSeen) -> None:
        """A part went all its way."""

    def end(self, parts: list[PartSeen], balance: Balance) -> None:
        """Both sides were counted."""

    def leave(self) -> None:
        """Nothing more will be shown, for whatever reason."""


class JsonScreen:
    """One object per line and nothing else."""

    def __init__(self, output: TextIO) -> None:
        self._output = output

    def begin(self, scenario: Scenario, broker: RunningBroker) -> None:
        """Say what runs where."""
        self._line(event="begin", invented=True, broker=str(broker.program), protocol=broker.program.protocol,
                   port=broker.port, parts=scenario.parts, folder=str(scenario.folder))

    def waiting(self, state: dict[str, Any]) -> None:
        """Say nothing."""

    def part(self, part: PartSeen) -> None:
        """Say all that is known of a part."""
        self._line(event="part", partId=part.part_id, sequence=part.sequence, characteristics=part.characteristics,
                   resultEvaluation=part.evaluation, resultEvaluationDetails=part.details, findings=part.findings,
                   light=part.light, lightIsRight=part.light_is_right, announced=part.announced,
                   storedAtMes=part.at_mes, acknowledged=part.acknowledged)

    def end(self, parts: list[PartSeen], balance: Balance) -> None:
        """Say the counts."""
        self._line(event="end", parts=len(parts),
                   station={"stored": balance.stored, "acknowledged": balance.acknowledged},
                   mes={"stored": balance.at_mes, "duplicates": balance.duplicates}, agree=balance.agrees,
                   differences=list(balance.differences))

    def leave(self) -> None:
        """Say nothing."""

    def _line(self, **fields: Any) -> None:
        self._output.write(json.dumps(fields, ensure_ascii=False) + "\n")
        self._output.flush()


class TextScreen:
    """A table for people. Colour only on a terminal, and never the only sign."""

    def __init__(self, output: TextIO) -> None:
        self._output = output
        self._terminal = output.isatty() and os.environ.get("TERM") != "dumb"
        self._colours = self._terminal and not os.environ.get("NO_COLOR")
        self._now = ""

    def begin(self, scenario: Scenario, broker: RunningBroker) -> None:
        """Explain what will be seen, and print the table's head."""
        program = broker.program
        self._say(
            "crosslay demo: one station of an invented line. Nothing here was measured: a simulated stylus gauge "
            f"passes over {scenario.parts} invented shaft journals, and the drawing asks for "
            f"{' and '.join(CALLOUTS)} (µm). For each part the daemon computes the values, decides, stores the result, "
            "drives the light and sends the result over MQTT to an MES stand-in, which stores it in its own database "
            "and then acknowledges."
        )
        self._line()
        self._line(f"  broker   {program.kind.value} {program.version}, MQTT {program.protocol}, on "
                   f"{broker.host}:{broker.port}, this computer only")
        if program.kind is BrokerKind.EMBEDDED:
            self._say("No mosquitto could be had, so a small broker in Python does its work. It speaks MQTT 3.1.1 "
                      'only; the station file therefore says protocol = "3.1.1".', indent=11)
        self._line("  light    three lamps, each a file as Linux shows an LED; read back from there")
        self._line(f"  files    {scenario.folder} (`--keep` keeps them)")
        self._line()
        heads = "".join(f"{text:<11}" for text in (f"{callout.split()[0]} µm" for callout in CALLOUTS))
        limits = "".join(f"{text:<11}" for text in (f"limit {callout.split()[1]}" for callout in CALLOUTS))
        self._line(f"{'part':<11}{heads}{'verdict':<11}{'light':<19}{'stored':<8}MES")
        self._line(f"{'':<11}{limits}")

    def waiting(self, state: dict[str, Any]) -> None:
        """On a terminal, say what the station does at this moment, in a line that is overwritten."""
        cycle = state.get("cycle", "")
        text = f"now: {_CYCLE.get(cycle, cycle)}"
        if self._terminal and text != self._now:
            self._now = text
            self._output.write(f"\r\033[K{_DIM}{text}{_PLAIN}" if self._colours else f"\r\033[K{text}")
            self._output.flush()

    def part(self, part: PartSeen) -> None:
        """One row, and the reason below it where there is no value."""
        values = "".join(f"{_value(item):<11}" for item in part.characteristics)
        verdict = self._coloured(f"{_VERDICTS[part.evaluation]:<11}", part)
        light = self._coloured(f"{part.light or 'not seen':<19}", part)
        if part.at_mes:
            mes = "stored, acknowledged"
        else:
            mes = "acknowledged but NOT STORED" if part.acknowledged else "NOT YET"
        self._wipe()
        self._line(f"{part.part_id:<11}{values}{verdict}{light}{'no. ' + str(part.sequence):<8}{mes}")
        if part.evaluation in {"NotDecidable", "Undefined"}:
            for reason in dict.fromkeys([part.details, *part.findings]):
                self._say(reason, indent=11)
        if not part.light_is_right:
            self._line(f"{'':<11}The light does not show this verdict.")

    def end(self, parts: list[PartSeen], balance: Balance) -> None:
        """The counts of both sides, and what the words mean."""
        counts = [(name, sum(part.evaluation == key for part in parts)) for key, name in _VERDICTS.items()]
        self._wipe()
        self._line()
        self._line(f"{len(parts)} parts: " + ", ".join(f"{count} {name}" for name, count in counts if count))
        self._line(f"station   {balance.stored} results stored, {balance.acknowledged} acknowledged")
        again = f"{balance.duplicates} came again and were recognised" if balance.duplicates else "none came twice"
        self._line(f"MES       {balance.at_mes} results stored, each once; {again}")
        if balance.agrees:
            self._line("Both sides have the same results, byte for byte.")
        for difference in balance.differences:
            self._line(f"DIFFERENCE: {difference}")
        self._line()
        self._say(
            "! marks a value beyond its limit; a value in brackets was computed but cannot be trusted. What is not "
            "judged is not accepted. On a real station the light is an aid for sorting, not a safety function, and a "
            "driven stylus moves under power: keep hands off, and follow the machine's risk assessment and local codes."
        )

    def leave(self) -> None:
        """Take the line that is overwritten away."""
        self._wipe()

    def _coloured(self, text: str, part: PartSeen) -> str:
        return f"{_COLOURS[part.evaluation]}{text}{_PLAIN}" if self._colours else text

    def _wipe(self) -> None:
        if self._terminal:
            self._output.write("\r\033[K")
            self._now = ""

    def _say(self, text: str, *, indent: int = 0) -> None:
        margin = " " * indent
        self._line(textwrap.fill(text, _WIDTH, initial_indent=margin, subsequent_indent=margin, break_on_hyphens=False))

    def _line(self, text: str = "") -> None:
        self._output.write(text.rstrip() + "\n")
        self._output.flush()


def _value(characteristic: dict[str, Any]) -> str:
    value = characteristic["value"]
    if value is None:
        return "–"
    if characteristic["evaluation"] in {"NotDecidable", "Undefined"}:
        return f"({value:.2f})"
    return f"{value:.2f}{' !' if characteristic['evaluation'] == 'NotOK' else ''}"
