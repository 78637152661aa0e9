"""Writing results: a file appears whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from crankclock.errors import InputError, Problem, UnfinishedError
from crankclock.report import setup_words
from crankclock.report.data import as_json
from crankclock.report.words import as_text
from crankclock.studies.check import Check

SUFFIXES = (".json", ".txt", ".png", ".svg")


def render(check: Check, suffix: str) -> bytes:
    """The report of a check as the bytes of a file of this suffix.

    Raises
    ------
    InputError
        No report of that kind is made.
    """
    if suffix == ".json":
        return as_json(check).encode()
    if suffix == ".txt":
        return as_text(check).encode()
    if suffix in (".png", ".svg"):
        from crankclock.report import chart

        return chart.render(check, "png" if suffix == ".png" else "svg")
    raise InputError(
        [Problem("-o", f'"{suffix}"' if suffix else "no suffix", "a file ending in " + ", ".join(SUFFIXES))]
    )


def write_whole(path: Path, data: bytes) -> None:
    """Write a file through a temporary one beside it.

    Raises
    ------
    UnfinishedError
        The file cannot be written; nothing is left behind and what was there stays.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as wrong:
        raise UnfinishedError(f"{path}: {(wrong.strerror or str(wrong)).lower()}; nothing was written") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o666 & ~_umask())
        Path(name).replace(path)
    except OSError as wrong:
        Path(name).unlink(missing_ok=True)
        raise UnfinishedError(f"{path}: {(wrong.strerror or str(wrong)).lower()}; nothing was written") from None
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def check_output(path: Path, suffixes: tuple[str, ...] = SUFFIXES) -> None:
    """Refuse an output that cannot be, before any work is done.

    Raises
    ------
    InputError
        An unknown suffix, a folder in its place, or no folder to write in.
    """
    problems = []
    if path.suffix.lower() not in suffixes:
        problems.append(Problem("-o", f'"{path}"', "a file ending in " + ", ".join(suffixes)))
    if path.is_dir():
        problems.append(Problem("-o", f'"{path}", a folder', "a file name"))
    elif not path.parent.is_dir():
        problems.append(Problem("-o", f'"{path}"', f'a file in a folder that exists; "{path.parent}" does not'))
    if problems:
        raise InputError(problems)


def write(check: Check, path: Path) -> None:
    """Write a check's report, its kind by the suffix."""
    check_output(path)
    write_whole(path, render(check, path.suffix.lower()))


def write_all(checks: list[Check], folder: Path) -> list[Path]:
    """Write verdict as text and JSON, the setting sheet and the chart of every check, one folder each.

    Returns
    -------
    list of Path
        The folders written.
    """
    written = []
    for check in checks:
        below = folder / check.loaded.name
        try:
            below.mkdir(parents=True, exist_ok=True)
        except OSError as wrong:
            raise UnfinishedError(f"{below}: {(wrong.strerror or str(wrong)).lower()}") from None
        for name in ("verdict.txt", "verdict.json", "chart.svg"):
            write_whole(below / name, render(check, Path(name).suffix))
        write_whole(below / "setup.txt", setup_words.as_text(check).encode())
        written.append(below)
    return written
