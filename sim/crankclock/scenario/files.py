"""Scenario files: finding them, reading them safely, and following `use`."""

from __future__ import annotations

import hashlib
import logging
import os
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crankclock.errors import InputError, Problem

log = logging.getLogger(__name__)
LARGEST_FILE = 1_000_000
DEEPEST = 40
UNQUOTED = re.compile(r"\s*([A-Za-z0-9_.-]{1,60})\s*=\s*([-+]?[\d.]+(?:/\d+)?\s*[A-Za-z/%°][^#\"']{0,40})")
Tree = dict[str, Any]


def shipped_folder() -> Path:
    """The folder of the scenarios that ship: in the package, else beside pyproject.toml."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "scenarios"
    return inside if inside.is_dir() else package.parent.parent / "scenarios"


def shipped() -> list[str]:
    """Names of the shipped scenarios."""
    return sorted(path.stem for path in shipped_folder().glob("*.toml"))


def find(name: str) -> Path:
    """The file that a path or the name of a shipped scenario means.

    Raises
    ------
    InputError
        There is no such file.
    """
    path = Path(name)
    try:
        if path.exists():
            return path
    except (OSError, ValueError):
        pass
    if name.removesuffix(".toml") in shipped():
        return shipped_folder() / f"{name.removesuffix('.toml')}.toml"
    want = "a scenario file, or the name of a shipped one: " + ", ".join(shipped())
    raise InputError([Problem("FILE", f'"{name[:100]}"', want)])


@dataclass
class Source:
    """All that a scenario file and the files it uses hold.

    Attributes
    ----------
    path : Path
    tree : dict
        The merged tables as TOML values.
    digest : str
        SHA-256 over every file read, in order.
    root : Path
        Folder outside which no used file may lie.
    """

    path: Path
    tree: Tree
    digest: str
    root: Path


@dataclass
class _Reader:
    root: Path
    start: Path
    hash: Any = field(default_factory=hashlib.sha256)

    def table(self, path: Path, trail: tuple[Path, ...]) -> Tree:
        data = content(path)
        log.info("read %s, %d bytes", path, len(data))
        self.hash.update(data)
        return self._merged(_parsed(data, path), path, trail, "")

    def _merged(self, tree: Tree, path: Path, trail: tuple[Path, ...], where: str) -> Tree:
        if where.count(".") > DEEPEST:
            raise InputError([Problem(where[:60], "tables within tables", f"at most {DEEPEST} deep")], str(path))
        own = {
            name: self._merged(value, path, trail, f"{where}{name}.") if isinstance(value, dict) else value
            for name, value in tree.items()
            if name != "use"
        }
        named = own.get("file")
        if isinstance(named, str) and path.parent != self.start.parent:
            own["file"] = self._told_from_start(named, path)
        if "use" not in tree:
            return own
        used = self._used(tree["use"], path, trail, f"{where}use")
        return merge(self.table(used, (*trail, used)), own)

    def _used(self, name: object, path: Path, trail: tuple[Path, ...], where: str) -> Path:
        if not isinstance(name, str) or not name:
            raise InputError([Problem(where, str(name)[:60], "the name of a TOML file, as text")], str(path))
        given = f'"{name[:100]}"'
        used = inside(self.root, path, name, where, "the name of a TOML file")
        if used in trail:
            raise InputError([Problem(where, given, "a file that does not use itself in a circle")], str(path))
        if len(trail) > DEEPEST:
            raise InputError([Problem(where, given, f"at most {DEEPEST} files used in a chain")], str(path))
        return used

    def _told_from_start(self, name: str, path: Path) -> str:
        """The name of a file beside a used file, as the scenario file would write it."""
        try:
            return Path(os.path.relpath((path.parent / name).resolve(), self.start.parent.resolve())).as_posix()
        except (OSError, ValueError):
            return name


def inside(root: Path, path: Path, name: str, where: str, what: str) -> Path:
    """The file that a key of another file names.

    Parameters
    ----------
    root : Path
        Folder in which it must lie.
    path : Path
        File that names it; the name is relative to its folder.
    name : str
    where, what : str
        The key, and what it should hold, for the error.

    Raises
    ------
    InputError
        There is no such file in the folder.
    """
    given = f'"{name[:100]}"'
    try:
        used = (path.parent / name).resolve()
        within, there = used.is_relative_to(root), used.exists()
    except (OSError, ValueError):
        raise InputError([Problem(where, given, what)], str(path)) from None
    if not within:
        raise InputError([Problem(where, given, f"a file inside {root} (see --root)")], str(path))
    if not there:
        raise InputError([Problem(where, given, "a file that exists")], str(path))
    return used


def load(path: Path, root: Path | None = None) -> Source:
    """Read a scenario file and what it uses.

    Parameters
    ----------
    path : Path
    root : Path, optional
        Folder outside which no used file may lie; the scenario's own folder by default.

    Raises
    ------
    InputError
        The file cannot be read as TOML, or `use` leads nowhere.
    """
    reader = _Reader((root or path.parent).resolve(), path)
    tree = reader.table(path, (path.resolve(),))
    return Source(path, tree, reader.hash.hexdigest(), reader.root)


def merge(under: Tree, over: Tree) -> Tree:
    """Tables merge; values and lists of `over` replace those of `under`."""
    merged = dict(under)
    for name, value in over.items():
        below = merged.get(name)
        merged[name] = merge(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def content(path: Path, where: str = "FILE", what: str = "a scenario file (.toml)") -> bytes:
    """The bytes of a plain file of sensible size; `where` and `what` it should be are for the error."""
    name = str(path)
    try:
        if path.is_dir():
            raise InputError([Problem(where, "a folder", what)], name)
        if not path.is_file():
            raise InputError([Problem(where, "something that is not a plain file", what)], name)
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise InputError([Problem(where, f"{size / 1e6:.1f} MB", f"{what}: a few kilobytes, at most 1 MB")], name)
        return path.read_bytes()
    except OSError as wrong:
        reason = (wrong.strerror or "it cannot be read").lower()
        raise InputError([Problem(where, reason, "a file that can be read")], name) from None


def text_of(data: bytes, where: str, what: str, source: str = "") -> str:
    """A file's bytes as text; `where` and `what` it should be are for the error."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        given = f"bytes that are not text, at {wrong.start}"
        raise InputError([Problem(where, given, f"UTF-8 text ({what})")], source) from None


def _parsed(data: bytes, path: Path) -> Tree:
    text = text_of(data, "FILE", "a TOML scenario file", str(path))
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError) as wrong:
        raise InputError([Problem("FILE", "", f"TOML: {wrong}{_unquoted(text)}")], str(path)) from None
    except RecursionError:
        raise InputError([Problem("FILE", "brackets nested too deeply", "TOML")], str(path)) from None


def _unquoted(text: str) -> str:
    """A hint where a quantity stands without its quotes, the likeliest slip of all."""
    for at, line in enumerate(text.splitlines(), 1):
        found = UNQUOTED.match(line)
        if found:
            return f'; quantities stand in quotes: line {at}, {found[1]} = "{found[2].strip()}"'
    return ""


def override(tree: Tree, settings: tuple[str, ...]) -> Tree:
    """Apply `KEY=VALUE` settings to a tree, in order; tables on the way are made.

    Numbers, true, false and text that starts with `[` are read as TOML; all else is text.

    Raises
    ------
    InputError
        A setting has no `=`, or runs through something that is not a table; all such settings at once.
    """
    problems = []
    for setting in settings:
        name, equals, text = setting.partition("=")
        parts = [part.strip() for part in name.strip().split(".")]
        if not equals or not all(parts) or len(parts) > DEEPEST:
            want = 'KEY=VALUE, such as "press.rate=70 /min"'
            problems.append(Problem("--set", f'"{setting[:80]}"', want))
            continue
        change: Any = _value(text.strip())
        for part in reversed(parts):
            change = {part: change}
        tree = merge(tree, change)
    if problems:
        raise InputError(problems)
    return tree


def _value(text: str) -> object:
    if text in ("true", "false") or text[:1] == "[" or text.lstrip("+-")[:1].isdigit():
        try:
            return tomllib.loads(f"value = {text}")["value"]
        except (tomllib.TOMLDecodeError, ValueError, RecursionError):
            return text
    return text
