"""Which test holds which clause of the delivery contract: reads the tests' names, ``test_dc_NN[_and_NN]_…``.

Run as ``python tests/clause_table.py`` it writes the table into DEVELOPERS.md; a test checks that it is current.
"""

from __future__ import annotations

import re
from collections import defaultdict
from pathlib import Path

TESTS = Path(__file__).parent
DEVELOPERS = TESTS.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- clauses: begin -->", "<!-- clauses: end -->"
#: DC-41, replays on request, belongs to the MES side and is not built yet.
CLAUSES = {
    1: "source fixed by the station file",
    2: "instanceId made with the database",
    3: "sequence without holes, the only order",
    4: "resultId UUIDv7 or UUIDv5",
    5: "payload stored as bytes, identical in every sending",
    10: "one transaction, WAL, FULL",
    11: "at least once until acknowledged",
    20: "confirmed: cleared by the MES alone",
    21: "broker: cleared by PUBACK",
    22: "0x10 and ≥ 0x80 never clear",
    23: "quarantine, requeue",
    24: "nonsense changes nothing, is counted",
    30: "delivery marked original or retransmission",
    31: "ascending, window W",
    32: "at most W duplicates per reconnect",
    33: "one queue, state stays live",
    34: "resend timer",
    35: "the MES acknowledges again",
    40: "state shows a gap",
    42: "gap records",
    43: "retention and quotas",
    44: "copies and roll-backs begin a new instance",
    50: "full store",
    60: "how a result travels",
    61: "nothing waits in the client library",
    62: "will, farewell, session numbers",
    63: "what is retained",
    64: "health is progress",
    65: "MQTT 3.1.1 only with confirmation",
}
_TEST = re.compile(r"^\s*(?:async )?def (test_dc_(\d\d)(?:_and_(?:dc_)?(\d\d))?\w*)", re.MULTILINE)


def bearers() -> dict[int, list[str]]:
    """Clause number: ``file::test`` of each test that bears it, sorted."""
    found: dict[int, list[str]] = defaultdict(list)
    for path in sorted(TESTS.rglob("test_*.py")):
        for match in _TEST.finditer(path.read_text("utf-8")):
            for number in match.group(2, 3):
                if number is not None:
                    found[int(number)].append(f"{path.relative_to(TESTS)}::{match.group(1)}")
    return found


def table() -> str:
    """The table in Markdown."""
    found = bearers()
    rows = [
        f"| DC-{number:02d} | {text} | {'<br>'.join(f'`{name}`' for name in sorted(found[number]))} |"
        for number, text in CLAUSES.items()
    ]
    return "\n".join(["| clause | what | tests |", "|---|---|---|", *rows])


def updated(document: str) -> str:
    """The document with the present table between its marks."""
    before, rest = document.split(BEGIN, 1)
    _old, after = rest.split(END, 1)
    return f"{before}{BEGIN}\n{table()}\n{END}{after}"


if __name__ == "__main__":
    DEVELOPERS.write_text(updated(DEVELOPERS.read_text("utf-8")), "utf-8")
