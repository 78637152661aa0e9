"""Results kept in a file chunk by chunk, so that a long study that was stopped goes on where it was.

One line of JSON for the header, one for each chunk with a checksum: a chunk is there whole or not at all. A line cut
short by a crash is dropped when the file is opened again.
"""

from __future__ import annotations

import base64
import json
import os
import sys
import zlib
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from crankclock import __version__
from crankclock.errors import InputError, Problem, UnfinishedError

Result = Mapping[str, NDArray[Any]]
"""What one chunk of work gives: arrays by name."""

Header = Mapping[str, str | int | float]
"""What a file belongs to: input, settings, seed."""

MARK = "crankclock results"

if sys.platform == "win32":
    import msvcrt

    def _lock(file: BinaryIO) -> None:
        file.seek(2**40)  # a byte that is never written
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _lock(file: BinaryIO) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


class Store:
    """A file of results, locked while it is open.

    Parameters
    ----------
    path : Path
        Made where it is not there.
    header : mapping
        What the results belong to; the version of the program is added.

    Raises
    ------
    InputError
        The file holds something else, belongs to another input, is damaged, or is being written by another process.
    UnfinishedError
        The file cannot be opened.
    """

    def __init__(self, path: Path, header: Header) -> None:
        self.path = path
        self.done: dict[str, Result] = {}
        self._header = {"version": __version__, **header}
        if not path.parent.is_dir():
            raise _refused(path, "", f'a file in a folder that exists; "{path.parent}" does not')
        try:
            self._file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o666), "r+b")
        except OSError as wrong:
            raise UnfinishedError(f"{path}: {(wrong.strerror or str(wrong)).lower()}") from None
        try:
            self._open()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, wrong: BaseException | None, at: TracebackType | None) -> None:
        self._file.close()

    def add(self, key: str, result: Result) -> None:
        """Keep a chunk's result.

        Raises
        ------
        UnfinishedError
            It cannot be written; what was kept before stays.
        """
        self._append({"key": key, "arrays": {name: _packed(array) for name, array in result.items()}})
        self.done[key] = result

    def _open(self) -> None:
        try:
            _lock(self._file)
        except OSError:
            raise _refused(self.path, ", which another process is writing", "a file of its own, or patience") from None
        self._file.seek(0)
        lines = self._file.read().split(b"\n")
        self._end = 0
        whole = lines[:-1]  # what follows the last line break was cut short
        if not whole and not _line({MARK: self._header}).startswith(lines[0]):
            raise _refused(self.path, ", which holds something else", "a file that is not there yet, or kept results")
        for number, line in enumerate(whole):
            found = _read(line)
            if found is None:
                what = ", which holds something else" if number == 0 else f", damaged in line {number + 1}"
                raise _refused(self.path, what, "results kept by crankclock, or a file that is not there yet")
            if number == 0:
                self._check(found)
            else:
                self.done[found["key"]] = {name: _unpacked(each) for name, each in found["arrays"].items()}
            self._end += len(line) + 1
        if not whole:
            self._append({MARK: self._header})

    def _check(self, found: Any) -> None:
        """Refuse results of another input."""
        theirs = found.get(MARK) if isinstance(found, dict) else None
        if not isinstance(theirs, dict):
            raise _refused(self.path, ", which holds something else", "results kept by crankclock")
        names = [name for name in {**self._header, **theirs} if self._header.get(name) != theirs.get(name)]
        if names:
            given = ", ".join(f"{name} {theirs.get(name, 'nothing')}" for name in names)
            want = ", ".join(f"{name} {self._header.get(name, 'nothing')}" for name in names)
            raise _refused(self.path, f", made for another input ({given})", f"the same input and settings ({want})")

    def _append(self, record: Mapping[str, object]) -> None:
        line = _line(record)
        try:
            self._file.seek(self._end)  # over what an interrupted write may have left
            self._file.truncate()
            self._file.write(line)
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as wrong:
            raise UnfinishedError(
                f"{self.path}: {(wrong.strerror or str(wrong)).lower()}; what was done before is kept"
            ) from None
        self._end += len(line)


def _refused(path: Path, what: str, expected: str) -> InputError:
    return InputError([Problem("--resume", f'"{path}"{what}', expected)])


def _line(record: Mapping[str, object]) -> bytes:
    text = json.dumps(record, separators=(",", ":")).encode()
    return b"%s %08x\n" % (text, zlib.crc32(text))


def _read(line: bytes) -> Any:
    """A line's record; None where it is not one."""
    text, _, check = line.rpartition(b" ")
    if check != b"%08x" % zlib.crc32(text):
        return None
    return json.loads(text)


def _packed(array: NDArray[Any]) -> dict[str, object]:
    plain = np.ascontiguousarray(array)
    return {
        "type": plain.dtype.str,
        "shape": list(np.shape(array)),
        "data": base64.b64encode(plain.tobytes()).decode("ascii"),
    }


def _unpacked(packed: Mapping[str, Any]) -> NDArray[Any]:
    data = base64.b64decode(packed["data"])
    return np.frombuffer(data, dtype=np.dtype(packed["type"])).reshape(packed["shape"]).copy()
