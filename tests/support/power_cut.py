"""What a power cut may leave: a model of a disk whose syncs alone are promises.

Fed with the operations of a `DiskLog`. A file's data since its last sync may be lost, or be there
in part, or as zeros; a name made, changed or removed since its folder's last sync may be so or not.
A rename within a folder is one change of names, as every file system in use does it; into another
folder it is two, each for itself.
"""

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Union

from disk_log import Step

# Content by path below the root; None for a folder.
Tree = dict[str, bytes | None]
Node = Union["File", "Folder"]


@dataclass(eq=False)
class File:
    """safe: what was synced last. writes: those since, offset and data; None: it ends there."""

    safe: bytes = b""
    writes: list[tuple[int, bytes | None]] = field(default_factory=list)

    def content(self, count: int | None = None) -> bytes:
        """Return it after the first `count` writes since the last sync."""
        if not self.writes:
            return self.safe
        data = bytearray(self.safe)
        for offset, new in self.writes[:count]:
            if new is None:
                del data[offset:]
                continue
            data.extend(bytes(max(0, offset - len(data))))
            data[offset : offset + len(new)] = new
        return bytes(data)

    def sync(self) -> None:
        """All of it lasts."""
        self.safe, self.writes = self.content(), []


@dataclass(eq=False)
class Folder:
    """safe: the names that last. changes: those since, None for a name that went."""

    safe: dict[str, Node] = field(default_factory=dict)
    changes: list[dict[str, Node | None]] = field(default_factory=list)

    def names(self, keep: Callable[[int], bool] = lambda number: True) -> dict[str, Node]:
        """Return the names after those changes since the last sync that `keep` says."""
        found: dict[str, Node | None] = dict(self.safe)
        for number, change in enumerate(self.changes):
            if keep(number):
                found |= change
        return {name: node for name, node in found.items() if node is not None}

    def sync(self) -> None:
        """All names last."""
        self.safe, self.changes = self.names(), []


class Volume:
    """A disk with everything on it synced, to begin with."""

    def __init__(self, root: Path) -> None:
        self.root = _read(root)
        self._open: dict[int, File] = {}

    def take(self, step: Step) -> None:
        """Do one operation."""
        if not step.changes:
            return
        if step.what == "sync":
            found = self._open[step.handle] if step.handle else self._at(step.path)
            found.sync()
        elif step.what == "write":
            self._open[step.handle].writes.append((step.offset, step.data))
        elif step.what == "shorten":
            self._open[step.handle].writes.append((step.offset, None))
        elif step.what in ("open", "cut"):
            self._take_open(step)
        elif step.what == "make":
            self._change(step.path, Folder())
        elif step.what == "remove":
            self._change(step.path, None)
        else:
            self._rename(step)

    def _take_open(self, step: Step) -> None:
        folder, name = self._split(step.path)
        node = folder.names().get(name)
        if node is None:
            node = File()
            folder.changes.append({name: node})
        assert isinstance(node, File)
        if step.what == "cut":
            node.writes.append((0, None))
        self._open[step.handle] = node

    def _rename(self, step: Step) -> None:
        node = self._at(step.path)
        (folder, name), (other, new) = self._split(step.path), self._split(step.other)
        if folder is other:
            folder.changes.append({name: None, new: node})
        else:
            folder.changes.append({name: None})
            other.changes.append({new: node})

    def _change(self, path: str, node: Node | None) -> None:
        folder, name = self._split(path)
        folder.changes.append({name: node})

    def _split(self, path: str) -> tuple[Folder, str]:
        top, _, name = path.rpartition("/")
        found = self._at(top)
        assert isinstance(found, Folder)
        return found, name

    def _at(self, path: str) -> Node:
        found: Node = self.root
        for name in path.split("/") if path else ():
            assert isinstance(found, Folder)
            found = found.names()[name]
        return found

    def kept(self) -> Tree:
        """Return everything as the programs see it."""
        return self._tree(File.content, Folder.names)

    def cuts(self, chance: random.Random) -> Iterator[Tree]:
        """Yield what a power cut now may leave: all that was not synced lost, or kept; data lost
        and names kept, also with zeros for the data; names lost and data kept; some of each."""

        def lost_names(folder: Folder) -> dict[str, Node]:
            return folder.safe

        def some_names(folder: Folder) -> dict[str, Node]:
            return folder.names(lambda number: chance.random() < 0.5)

        yield self._tree(lambda file: file.safe, lost_names)
        yield self.kept()
        yield self._tree(lambda file: file.safe, Folder.names)
        yield self._tree(_zeros, Folder.names)
        yield self._tree(File.content, lost_names)
        for _ in range(3):
            yield self._tree(lambda file: _torn(file, chance), some_names)

    def _tree(
        self, content: Callable[[File], bytes], names: Callable[[Folder], dict[str, Node]]
    ) -> Tree:
        tree: Tree = {}

        def walk(folder: Folder, top: str) -> None:
            for name, node in names(folder).items():
                if isinstance(node, Folder):
                    tree[top + name] = None
                    walk(node, f"{top}{name}/")
                else:
                    tree[top + name] = content(node)

        walk(self.root, "")
        return tree


def _zeros(file: File) -> bytes:
    """Return a file with zeros for what was added since its last sync."""
    data = file.content()
    return data[: len(file.safe)] + bytes(max(0, len(data) - len(file.safe)))


def _torn(file: File, chance: random.Random) -> bytes:
    """Return a file with some of what was written since its last sync."""
    data = file.content(chance.randint(0, len(file.writes)))
    if not file.writes or chance.random() < 0.3:
        return data
    place = chance.randint(min(len(file.safe), len(data)), len(data))
    return data[:place] + (bytes(len(data) - place) if chance.random() < 0.5 else b"")


def _read(folder: Path) -> Folder:
    names: dict[str, Node] = {
        path.name: _read(path) if path.is_dir() else File(path.read_bytes())
        for path in folder.iterdir()
    }
    return Folder(names)


def put(tree: Tree, folder: Path) -> None:
    """Make a folder hold a tree and nothing else; what it holds already is left as it is."""
    folder.mkdir(exist_ok=True)
    before = tree_of(folder)
    # What is in a folder comes after it.
    for path, data in reversed(list(before.items())):
        if path in tree and tree[path] == data:
            continue
        del before[path]
        if data is None:
            (folder / path).rmdir()
        else:
            (folder / path).unlink()
    for path, data in tree.items():
        if path in before:
            continue
        if data is None:
            (folder / path).mkdir()
        else:
            (folder / path).write_bytes(data)


def tree_of(folder: Path) -> Tree:
    """Return what a folder on the disk holds."""
    return {
        path.relative_to(folder).as_posix(): None if path.is_dir() else path.read_bytes()
        for path in sorted(folder.rglob("*"))
    }


def without_left_overs(tree: Tree) -> Tree:
    """Return a tree without locks and what the next command clears away."""
    return {
        path: data
        for path, data in tree.items()
        if not any(
            part == ".lock" or part.startswith((".new-", ".old-")) for part in path.split("/")
        )
    }


def different(trees: Iterable[Tree]) -> list[Tree]:
    """Return each tree once."""
    return list({hash(frozenset(tree.items())): tree for tree in trees}.values())
