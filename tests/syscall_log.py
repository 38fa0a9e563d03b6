"""What a process asked of the kernel, read from a log that strace wrote.

The log has to be made with `STRACE`: whole strings in hexadecimal, threads followed, the tracer in the background so
that the traced program keeps its process id.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

#: Calls that change files or names, or say something to somebody.
_FILE_CALLS = (
    "open,openat,creat,close,write,writev,pwrite64,pwritev,pwritev2,lseek,ftruncate,truncate,fallocate,copy_file_range,"
    "sendfile,rename,renameat,renameat2,link,linkat,symlink,symlinkat,unlink,unlinkat,mkdir,mkdirat,rmdir,fsync,"
    "fdatasync,sync,syncfs,sync_file_range,msync,dup,dup2,dup3"
)
_SOCKET_CALLS = "sendto,recvfrom,sendmsg,recvmsg"
#: Command that traces what follows it; the next word is the log.
STRACE = (
    *("strace", "-f", "-D", "--seccomp-bpf", "-xx", "-s", "16777216", "-e", "signal=none"),
    *("-e", f"trace={_FILE_CALLS},{_SOCKET_CALLS}", "-o"),
)

_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_ENTERED = re.compile(r"(\d+) +(\w+)\((.*)$", re.DOTALL)
_RESUMED = re.compile(r"(\d+) +<\.\.\. (\w+) resumed>(.*)$", re.DOTALL)
_RETURNED = re.compile(r"\) += (-?\d+|\?)(?: .*)?$", re.DOTALL)
_UNFINISHED = " <unfinished ...>"


class LogError(Exception):
    """A line of the log that is not understood: the replay would be wrong, so it does not go on."""


@dataclass(frozen=True, slots=True)
class Call:
    """One system call.

    Attributes
    ----------
    name
        Of the call.
    arguments
        As strace prints them, strings left out (a ``""`` marks their place).
    strings
        Contents of the string arguments in order.
    result
        What the kernel returned; None where the process ended inside the call.
    begins, ends
        Numbers of the log lines at which it was entered and returned from.
    """

    name: str
    arguments: tuple[str, ...]
    strings: tuple[bytes, ...]
    result: int | None
    begins: int
    ends: int

    def number(self, position: int) -> int:
        """An argument as a number. Raises `LogError` where it is none."""
        try:
            return int(self.arguments[position], 0)
        except (IndexError, ValueError) as error:
            raise LogError(f"line {self.begins + 1}: {self.name}{self.arguments} has no number {position}") from error


def read_calls(path: Path, first_line: int = 0) -> list[Call]:
    """Calls of a log, in the order in which they were entered; its lines are numbered from `first_line`.

    Raises
    ------
    LogError
        A line is not understood.
    """
    calls: list[Call] = []
    open_calls: dict[int, tuple[int, str, str]] = {}
    last = first_line
    for number, line in enumerate(_lines(path), first_line):
        last = number
        resumed = _RESUMED.match(line)
        entered = _ENTERED.match(line)
        if resumed is not None:
            begins, name, before = open_calls.pop(int(resumed[1]))
            if name != resumed[2]:
                raise LogError(f"line {number + 1}: {resumed[2]} resumed, but {name} was open")
            calls.append(_call(name, before + resumed[3], begins, number))
        elif entered is not None and line.endswith(_UNFINISHED):
            open_calls[int(entered[1])] = (number, entered[2], entered[3].removesuffix(_UNFINISHED))
        elif entered is not None:
            calls.append(_call(entered[2], entered[3], number, number))
        elif "+++ " not in line and "--- " not in line:
            raise LogError(f"line {number + 1}: not understood: {line[:80]}")
    # The process was killed inside these.
    calls += [_call(name, f"{text}) = ?", begins, last + 1) for begins, name, text in open_calls.values()]
    return sorted(calls, key=lambda call: call.begins)


def tracer_of(process_id: int) -> int:
    """Process id of the tracer, 0 for none (proc(5), ``TracerPid``)."""
    status = Path(f"/proc/{process_id}/status").read_text()
    return int(next(line.split()[1] for line in status.splitlines() if line.startswith("TracerPid")))


def has_ended(process_id: int) -> bool:
    """Whether a process is gone, or nothing but its exit code is left."""
    try:
        return Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def _lines(path: Path) -> Iterator[str]:
    with path.open(encoding="ascii") as log:
        for line in log:
            yield line.rstrip("\n")


def _call(name: str, text: str, begins: int, ends: int) -> Call:
    returned = _RETURNED.search(text)
    if returned is None:
        raise LogError(f"line {begins + 1}: {name} has no result: {text[-80:]}")
    inside = text[: returned.start()]
    if any(cut for _, cut in _STRING.findall(inside)):
        raise LogError(f"line {begins + 1}: {name} was logged with its data cut short")
    strings = tuple(bytes.fromhex(found.replace("\\x", "")) for found, _ in _STRING.findall(inside))
    arguments = tuple(part.strip() for part in _STRING.sub('""', inside).split(","))
    result = None if returned[1] == "?" else int(returned[1])
    return Call(name, arguments, strings, result, begins, ends)
