"""A model of what a disk may hold after a power cut, fed with the system calls of a real process.

The rules are those of POSIX taken at their word, not those of one file system (fsync(2), "NOTES" of open(2)):

* What was written before an ``fsync`` or ``fdatasync`` of the file began is on the disk once that call has returned;
  of everything later any part may be, in any order, in sectors of 512 bytes.
* A new, renamed or removed name is on the disk once an ``fsync`` of its directory that began later has returned. Until
  then it may be there or not, whatever happened to the file's content. A rename is atomic, as every journalling file
  system has it.
* What a sync that failed was to write may never reach the disk, whatever later syncs say, unless it is written again:
  Linux reports a failed write-back once and calls the pages clean from then on.
* A file that grew may have its new length without its new data: then there are zeros, or what lay there before.
"""

from __future__ import annotations

import enum
import hashlib
import random
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from syscall_log import Call, LogError

SECTOR = 512
#: A sync covers nothing before it returns, and a descriptor or an answer is nobody's before that.
_COUNT_FROM_RETURN = frozenset({"fsync", "fdatasync", "openat", "recvfrom"})


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a file's content: data at an offset, or (``data`` None) a new length.

    Attributes
    ----------
    done_at
        Log line at which the call had returned.
    doubtful
        Whether a sync that was to write it has failed.
    """

    offset: int
    data: bytes | None
    done_at: int
    doubtful: bool = False


@dataclass(slots=True)
class Node:
    """A file: what is certainly on the disk, and what may be, oldest first."""

    durable: bytearray = field(default_factory=bytearray)
    changes: list[Change] = field(default_factory=list)

    def synced(self, begun_at: int) -> None:
        """A sync that began at this line has returned."""
        left: list[Change] = []
        for change in self.changes:
            if change.doubtful or change.done_at >= begun_at:
                left.append(change)
            else:
                change_content(self.durable, change)
                left = [piece for older in left for piece in _not_under(older, change)]
        self.changes = left

    def sync_failed(self, begun_at: int) -> None:
        """A sync that began at this line has reported an error."""
        self.changes = [
            replace(change, doubtful=True) if change.done_at < begun_at and change.data is not None else change
            for change in self.changes
        ]

    @property
    def length(self) -> int:
        """Length as the process sees it."""
        length = len(self.durable)
        for change in self.changes:
            length = change.offset if change.data is None else max(length, change.offset + len(change.data))
        return length


@dataclass(frozen=True, slots=True)
class Naming:
    """One change of names: `target` now stands for `node` (None: for nothing), `source` for nothing any more."""

    target: str
    node: Node | None
    done_at: int
    source: str = ""
    is_folder: bool = False

    def folders(self) -> set[str]:
        """Directories that this touches."""
        return {parent(path) for path in (self.target, self.source) if path}


class Cut(enum.Enum):
    """What became of the changes that no sync covers."""

    NOTHING = "nothing of it is there"
    ALL = "all of it is there"
    PREFIX = "an older part of it is there"
    SUBSET = "any of it is there"
    TORN = "any sector of it is there"
    GROWN = "any sector of it is there, and zeros up to the full length"
    STALE = "any sector of it is there, and old data of others up to the full length"


@dataclass(slots=True)
class Tree:
    """Names and folders, by path relative to the root; the root itself is ``""``."""

    files: dict[str, Node] = field(default_factory=dict)
    folders: set[str] = field(default_factory=lambda: {""})

    def apply(self, naming: Naming) -> None:
        """Carry out one change of names."""
        if naming.source:
            self.files.pop(naming.source, None)
        if naming.is_folder:
            self.folders.add(naming.target)
        elif naming.node is None:
            self.files.pop(naming.target, None)
        else:
            self.files[naming.target] = naming.node

    def copy(self) -> Tree:
        """Another tree with the same nodes."""
        return Tree(dict(self.files), set(self.folders))


def parent(path: str) -> str:
    """Directory of a relative path; the root is ``""``."""
    folder = str(PurePosixPath(path).parent)
    return "" if folder == "." else folder


def change_content(content: bytearray, change: Change) -> None:
    """Carry out one change of content."""
    if change.data is None:
        del content[change.offset :]
        content.extend(bytes(change.offset - len(content)))
    else:
        content.extend(bytes(max(0, change.offset - len(content))))
        content[change.offset : change.offset + len(change.data)] = change.data


@dataclass(slots=True)
class _Open:
    node: Node
    offset: int = 0
    append: bool = False


def timeline(calls: list[Call]) -> list[Call]:
    """Calls in the order in which they count: changes and words once they are begun, the rest once it has returned."""
    return sorted(calls, key=lambda call: call.ends if call.name in _COUNT_FROM_RETURN else call.begins)


class Disk:
    """The disk under one folder, as the process sees it and as a power cut may leave it.

    Parameters
    ----------
    root
        Absolute path of the folder as the process knows it.
    before
        What lies on the disk to begin with: a copy of the folder, or the folder itself.
    ignore
        File names that end so are left out, such as SQLite's shared memory, which the process writes by `mmap`.
    """

    def __init__(self, root: Path, before: Path, ignore: tuple[str, ...] = ()) -> None:
        self._root = f"{root}/"
        self._ignore = ignore
        self._durable = Tree()
        for path in sorted(before.rglob("*")):
            name = str(path.relative_to(before))
            if path.is_dir():
                self._durable.folders.add(name)
            elif not name.endswith(ignore):
                self._durable.files[name] = Node(bytearray(path.read_bytes()))
        self._now = self._durable.copy()
        self._namings: list[Naming] = []
        self._open: dict[int, _Open | str] = {}

    def rebooted(self) -> None:
        """Another process goes on with what the last one left; its descriptors are gone, the page cache is not."""
        self._open.clear()

    def unsynced(self) -> int:
        """Changes that no sync covers."""
        nodes = {id(node): node for node in self._every_node()}
        return len(self._namings) + sum(len(node.changes) for node in nodes.values())

    def feed(self, call: Call) -> str:
        """Take in one call; calls have to come in the order of `timeline`.

        Returns
        -------
        str
            What kind of step it was for the disk, such as ``write results.sqlite3-wal``; empty for none.

        Raises
        ------
        LogError
            A call that this model does not know changed something in the folder.
        """
        handler = getattr(self, f"_on_{call.name}", None)
        if call.result is not None and call.result < 0:
            return self._on_failure(call)
        if handler is not None:
            return str(handler(call) or "")
        touched = [path for path in map(self._inside, call.strings) if path is not None]
        descriptor = call.arguments[0]
        if touched or (descriptor.isdigit() and int(descriptor) in self._open):
            raise LogError(f"line {call.begins + 1}: {call.name} changes the folder, and the model does not know it")
        return ""

    def contents(self) -> dict[str, bytes]:
        """Files as the processes see them."""
        chance = random.Random(0)
        return {path: _content(node, Cut.ALL, chance) for path, node in self._now.files.items()}

    def state(self, cut: Cut, chance: random.Random) -> CutState:
        """One of the states that a cut at this moment may leave."""
        tree = self._durable.copy()
        for naming in _some(self._namings, cut, chance):
            tree.apply(naming)
        contents: dict[int, bytes] = {}
        files = {}
        for path, node in tree.files.items():
            if parent(path) not in tree.folders:
                continue
            if id(node) not in contents:
                contents[id(node)] = _content(node, cut, chance)
            files[path] = contents[id(node)]
        return CutState(files=files, folders=frozenset(tree.folders))

    # -- calls ---------------------------------------------------------------------------------------------------

    def _on_openat(self, call: Call) -> str:
        path = self._inside(call.strings[0])
        flags = call.arguments[2].split("|")
        if not call.strings[0].startswith(b"/") and not {"O_WRONLY", "O_RDWR"}.isdisjoint(flags):
            raise LogError(f"line {call.begins + 1}: {call.strings[0]!r} is written, and not named by its full path")
        if path is None or call.result is None:
            return ""
        if path in self._now.folders:
            self._open[call.result] = path
            return ""
        node = self._now.files.get(path)
        step = ""
        if node is None:
            node = Node()
            self._rename(Naming(path, node, call.ends))
            step = f"create {path}"
        elif "O_TRUNC" in flags:
            node.changes.append(Change(0, None, call.ends))
            step = f"truncate {path}"
        self._open[call.result] = _Open(node, append="O_APPEND" in flags)
        return step

    def _on_close(self, call: Call) -> None:
        self._open.pop(call.number(0), None)

    def _on_lseek(self, call: Call) -> None:
        opened = self._open.get(call.number(0))
        if isinstance(opened, _Open) and call.result is not None:
            opened.offset = call.result

    def _on_pwrite64(self, call: Call) -> str:
        return self._write(call, call.number(len(call.arguments) - 1))

    def _on_write(self, call: Call) -> str:
        opened = self._open.get(call.number(0))
        if not isinstance(opened, _Open):
            return ""
        offset = opened.node.length if opened.append else opened.offset
        opened.offset = offset + len(call.strings[0])
        return self._write(call, offset)

    def _write(self, call: Call, offset: int) -> str:
        opened = self._open.get(call.number(0))
        if not isinstance(opened, _Open):
            return ""
        data = call.strings[0]
        written = len(data) if call.result is None else call.result
        opened.node.changes.append(Change(offset, data[:written], call.ends))
        return f"write {self._name(opened.node)}"

    def _on_ftruncate(self, call: Call) -> str:
        opened = self._open.get(call.number(0))
        if not isinstance(opened, _Open):
            return ""
        opened.node.changes.append(Change(call.number(1), None, call.ends))
        return f"truncate {self._name(opened.node)}"

    def _on_fsync(self, call: Call) -> str:
        opened = self._open.get(call.number(0))
        if opened is None or call.result is None:
            return ""
        if isinstance(opened, _Open):
            opened.node.synced(call.begins)
            return f"sync {self._name(opened.node)}"
        for naming in [item for item in self._namings if item.done_at < call.begins and opened in item.folders()]:
            self._durable.apply(naming)
            self._namings.remove(naming)
        return f"sync folder {opened}/"

    _on_fdatasync = _on_fsync

    def _on_failure(self, call: Call) -> str:
        opened = self._open.get(call.number(0)) if "sync" in call.name else None
        if isinstance(opened, _Open):
            opened.node.sync_failed(call.begins)
            return f"failed sync {self._name(opened.node)}"
        return ""

    def _on_mkdir(self, call: Call) -> str:
        path = self._inside(call.strings[0])
        if path is None:
            return ""
        self._rename(Naming(path, None, call.ends, is_folder=True))
        return f"make folder {path}/"

    def _on_unlink(self, call: Call) -> str:
        path = self._inside(call.strings[0])
        if path is None:
            return ""
        self._rename(Naming(path, None, call.ends))
        return f"remove {path}"

    def _on_rename(self, call: Call) -> str:
        source, target = (self._inside(path) for path in call.strings[:2])
        if source is None and target is None:
            return ""
        if source is None or target is None or source in self._now.folders:
            raise LogError(f"line {call.begins + 1}: a file or folder is moved into or out of the folder")
        self._rename(Naming(target, self._now.files[source], call.ends, source=source))
        return f"rename {source} {target}"

    _on_renameat2 = _on_renameat = _on_rename

    # -- helpers -------------------------------------------------------------------------------------------------

    def _rename(self, naming: Naming) -> None:
        self._now.apply(naming)
        self._namings.append(naming)

    def _inside(self, path: bytes) -> str | None:
        text = path.decode("utf-8", "surrogateescape")
        if text == self._root[:-1]:
            return ""
        if not text.startswith(self._root) or text.endswith(self._ignore or "\0"):
            return None
        return text.removeprefix(self._root)

    def _name(self, node: Node) -> str:
        return next((path for path, other in self._now.files.items() if other is node), "a removed file")

    def _every_node(self) -> list[Node]:
        named = [naming.node for naming in self._namings if naming.node is not None]
        return [*self._durable.files.values(), *self._now.files.values(), *named]


@dataclass(frozen=True, slots=True)
class CutState:
    """Files and folders after a cut."""

    files: dict[str, bytes]
    folders: frozenset[str]

    def key(self) -> bytes:
        """The same for the same state."""
        digest = hashlib.sha256(repr(sorted(self.folders)).encode())
        for name, content in sorted(self.files.items()):
            digest.update(f"{name}\n{len(content)}\n".encode())
            digest.update(content)
        return digest.digest()

    def write(self, folder: Path) -> None:
        """Lay it out in an empty folder."""
        for name in sorted(self.folders):
            (folder / name).mkdir(exist_ok=True, parents=True)
        for name, content in self.files.items():
            (folder / name).write_bytes(content)


def _some(namings: list[Naming], cut: Cut, chance: random.Random) -> list[Naming]:
    if cut is Cut.NOTHING:
        return []
    if cut is Cut.ALL:
        return namings
    if cut is Cut.PREFIX:
        return namings[: chance.randint(0, len(namings))]
    kept = chance.random()
    return [naming for naming in namings if chance.random() < kept]


def _content(node: Node, cut: Cut, chance: random.Random) -> bytes:
    content = bytearray(node.durable)
    changes = node.changes
    if cut is Cut.PREFIX:
        changes = changes[: chance.randint(0, len(changes))]
    kept = chance.random()
    if cut is Cut.STALE:
        content.extend(chance.randbytes(max(0, node.length - len(content))))
    for change in [] if cut is Cut.NOTHING else changes:
        if cut in {Cut.ALL, Cut.PREFIX}:
            change_content(content, change)
        elif cut is Cut.SUBSET or change.data is None:
            if chance.random() < kept:
                change_content(content, change)
        else:
            for piece in _sectors(change):
                if chance.random() < kept:
                    change_content(content, piece)
    if cut is Cut.GROWN:
        content.extend(bytes(max(0, node.length - len(content))))
    return bytes(content)


def _not_under(older: Change, newer: Change) -> list[Change]:
    """What is left of an older change where a newer one is on the disk."""
    if older.data is None:
        return [older]
    begin, end = older.offset, older.offset + len(older.data)
    upto = newer.offset + (len(newer.data) if newer.data is not None else end)
    pieces = [(begin, min(end, newer.offset)), (max(begin, upto), end)]
    return [replace(older, offset=a, data=older.data[a - begin : b - begin]) for a, b in pieces if a < b]


def _sectors(change: Change) -> list[Change]:
    """The change in pieces that a disk writes whole."""
    data = change.data or b""
    pieces = []
    position = 0
    while position < len(data):
        length = min(SECTOR - (change.offset + position) % SECTOR, len(data) - position)
        pieces.append(replace(change, offset=change.offset + position, data=data[position : position + length]))
        position += length
    return pieces
