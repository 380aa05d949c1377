"""The output folder: a run writes beside it and swaps at the end; a kill at any moment leaves the last good run.

``OUT.part`` is being written, ``OUT`` is the last good run, ``OUT.last`` the one before, ``OUT.lock`` says who writes.
``manifest.json`` is written last: a part that has one is complete. Nothing is deleted that a run of ours did not write.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from tastefield.errors import OutputError, Problem
from tastefield.slug import slug

if sys.platform != "win32":
    import fcntl

MANIFEST = "manifest.json"
SCHEMA = "tastefield/manifest/1"
LOG = "run.log"
RESULTS = "results.json"
UNFINISHED = "unfinished"
"""Marks a part that is ours although it has no manifest yet."""

DO_RUN = "name the folder that tastefield run wrote"

_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
_LITTER = {"Thumbs.db", "desktop.ini"}


def default_out(title: str, source: Path) -> Path:
    """``reports/`` and a file-safe form of the title, or of the file's own name where there is no title."""
    readable, _, digest = slug([title or source.stem]).rpartition("-")
    return Path("reports") / (f"{readable}-{digest}" if readable in _RESERVED | {"setup"} else readable)


@contextmanager
def held(out: Path) -> Iterator[None]:
    """Keep other runs out of ``out`` meanwhile: the file ``OUT.lock`` is locked and names who holds it.

    The system lets go of the lock of a process that dies, so that the file it left behind is simply taken over. Where
    the system has no such locks (Windows, some network folders) nothing is held.

    :raises OutputError: another run is writing there.
    """
    with _told(out):
        real = _real(out)
        real.parent.mkdir(parents=True, exist_ok=True)
        file = real.with_name(f"{real.name}.lock")
        stream = _lock(file)
    try:
        yield
    finally:
        if stream:
            file.unlink(missing_ok=True)
            stream.close()


def prepare(out: Path) -> Path:
    """Repair an interrupted swap, check that ``out`` may be replaced, and make an empty ``OUT.part`` to write into.

    :raises OutputError: ``out`` or a neighbour holds what no run of ours wrote, or cannot be written.
    """
    with _told(out):
        out = _real(out)
        repair(out)
        part, last = _beside(out)
        problems = [*_not_ours(out), *_not_ours(part), *_not_ours(last), *_foreign(last)]
        if problems:
            raise OutputError(problems)
        _remove(part)
        part.mkdir(parents=True)
        (part / UNFINISHED).write_text("tastefield is writing here. If no run is going on, delete this folder.\n")
    return part


def seal(part: Path, facts: Mapping[str, Any]) -> None:
    """Write the manifest, the last file of a run: ``facts`` (versions, input hashes ...) and the hash of every file.

    The hash of ``run.log`` is null: it is still being written, and holds times.
    """
    with _told(part):
        files = {name: None if name == LOG else digest for name, digest in hashes(part).items() if name != UNFINISHED}
        text = json.dumps({"schema": SCHEMA, **facts, "files": files}, indent=1, ensure_ascii=False, allow_nan=False)
        unfinished = part / f"{UNFINISHED}.{MANIFEST}"
        unfinished.write_text(text + "\n", encoding="utf-8")
        unfinished.replace(part / MANIFEST)


def added(out: Path, names: Sequence[str]) -> None:
    """Tell the manifest of a finished run of files that were written into it afterwards, so that they count as ours."""
    with _told(out):
        manifest = manifest_of(out)
        if manifest is None:
            raise OutputError(Problem("is no finished run", str(out), f"it has no {MANIFEST} of ours", DO_RUN))
        files = {**manifest.get("files", {}), **{name: sha256(out / name) for name in names}}
        text = json.dumps({**manifest, "files": dict(sorted(files.items()))}, indent=1, ensure_ascii=False)
        unfinished = out / f"{UNFINISHED}.{MANIFEST}"
        unfinished.write_text(text + "\n", encoding="utf-8")
        unfinished.replace(out / MANIFEST)


def commit(part: Path, out: Path) -> None:
    """Swap: ``OUT`` becomes ``OUT.last``, the sealed part becomes ``OUT``.

    Killed between the two renames, ``OUT.last`` is the last good run and :func:`repair` finishes the swap.
    """
    with _told(out):
        out = _real(out)
        if manifest_of(part) is None:
            raise OutputError(Problem("is not complete", str(part), "it has no manifest", "seal it before the swap"))
        if out.exists():
            last = _beside(out)[1]
            _remove(last)
            out.rename(last)
        _finish(part, out)


def discard(part: Path) -> None:
    """Throw a part away; what was there before the run stays untouched."""
    with _told(part):
        _remove(part)


def repair(out: Path) -> None:
    """Finish or undo a swap that was interrupted; does nothing where ``out`` stands."""
    out = _real(out)
    part, last = _beside(out)
    if out.exists():
        return
    if manifest_of(part) is not None:
        _finish(part, out)
    elif manifest_of(last) is not None:
        last.rename(out)


def manifest_of(folder: Path) -> dict[str, Any] | None:
    """The manifest of a folder that a run of ours completed, else ``None``."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return manifest if isinstance(manifest, dict) and manifest.get("schema") == SCHEMA else None


def entries_before(out: Path) -> dict[str, dict[str, Any]]:
    """Status and aim of every setup in the last run that was written to a folder, by slug; empty where none was."""
    if manifest_of(out) is None:
        return {}
    try:
        setups = json.loads((out / RESULTS).read_text(encoding="utf-8"))["setups"]
        return {str(one["slug"]): {"status": one["status"], "aim": one["aim"]} for one in setups}
    except (OSError, ValueError, KeyError, TypeError):
        return {}  # written by another version, or without the writer of data


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, by its path there with forward slashes, sorted."""
    files = sorted(entry for entry in folder.rglob("*") if entry.is_file())
    return {file.relative_to(folder).as_posix(): sha256(file) for file in files}


def sha256(file: Path) -> str:
    """SHA-256 of one file, in hex."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _real(out: Path) -> Path:
    """Where ``out`` really is: a link is followed, so that the swap happens where the folder stands."""
    real = Path(os.path.realpath(out))
    if not real.name:
        raise OutputError(Problem("cannot be an output folder", str(out), "it is the root", "name a folder"))
    return real


def _beside(out: Path) -> tuple[Path, Path]:
    return out.with_name(f"{out.name}.part"), out.with_name(f"{out.name}.last")


def _lock(file: Path) -> TextIO | None:
    """The file, open and locked; ``None`` where there are no locks."""
    if sys.platform == "win32":
        return None
    while True:
        stream = file.open("a+", encoding="utf-8")
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            stream.seek(0)
            holder = stream.read().strip()
            stream.close()
            do = "wait until it is done, or name another folder with --out"
            raise OutputError(Problem("another run is writing there", str(file), holder, do)) from None
        except OSError:
            stream.close()
            file.unlink(missing_ok=True)
            return None
        if file.exists() and os.path.samestat(os.fstat(stream.fileno()), file.stat()):
            break
        stream.close()  # the run before took its file away between our two steps
    stream.truncate(0)
    since = datetime.now(UTC).isoformat(timespec="seconds")
    stream.write(f"process {os.getpid()} on {platform.node()}, since {since}\n")
    stream.flush()
    return stream


def _finish(part: Path, out: Path) -> None:
    (part / UNFINISHED).unlink(missing_ok=True)
    part.rename(out)


def _not_ours(folder: Path) -> Iterator[Problem]:
    """Refuse a file, and a folder that holds something but was not written by a run."""
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        yield Problem("is no folder", str(folder), "the output is a folder", "name another with --out")
    elif manifest_of(folder) is None and not (folder / UNFINISHED).exists() and any(folder.iterdir()):
        yield Problem(
            "is not empty and was not written by a run",
            str(folder),
            f"it has no {MANIFEST} of ours, so replacing it could lose your files",
            "name another folder with --out, or empty this one",
        )


def _foreign(last: Path) -> Iterator[Problem]:
    """Refuse to delete files that somebody put into an old output."""
    manifest = manifest_of(last)
    if manifest is None or "files" not in manifest:
        return
    known = {MANIFEST, UNFINISHED, *manifest["files"]}
    found = [file.relative_to(last).as_posix() for file in sorted(last.rglob("*")) if file.is_file()]
    foreign = [name for name in found if name not in known and not _litter(name)]
    if foreign:
        listed = ", ".join(foreign[:5]) + (" ..." if len(foreign) > 5 else "")
        yield Problem(
            "holds files of yours", str(last), f"no run wrote {listed}", "move them elsewhere, then run again"
        )


def _litter(name: str) -> bool:
    base = name.rsplit("/", 1)[-1]
    return base.startswith(".") or base in _LITTER


def _remove(folder: Path) -> None:
    """Delete a folder of ours, what marks it as ours last, so that a deletion cut short can be taken up again.

    A part loses its manifest first: half deleted it must not pass for complete.
    """
    if not folder.is_dir():
        return
    if (folder / UNFINISHED).exists():
        (folder / MANIFEST).unlink(missing_ok=True)
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name in (MANIFEST, UNFINISHED)):
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()
    folder.rmdir()


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Turn what the file system refuses into an error that says what to do."""
    try:
        yield
    except OSError as error:
        where = str(error.filename or folder)
        why = error.strerror or str(error)
        do = "check rights and space there, close programs that hold its files, or name another folder with --out"
        raise OutputError(Problem("cannot be written", where, why, do)) from error
