"""Packed files: gz, bz2, xz and zip opened as streams, refused where they unpack to more than anybody could mean."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from tastefield.errors import ReadError

PACKINGS = (".gz", ".bz2", ".xz")
MOST_BYTES = 2_000_000_000
"""Most bytes a packed file may hold."""
MOST_TIMES, SMALL = 250, 100_000_000
"""Past ``SMALL`` bytes, how many times its own size a file may hold. Logs pack 5 to 50 times: tried, no source."""

BROKEN = (OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, NotImplementedError, RuntimeError)
"""What the standard library raises where a packed file is torn, encrypted or packed in an unknown way."""


class Measured(io.RawIOBase):
    """A stream that refuses to give more bytes than a packed file of its size may hold."""

    def __init__(self, stream: IO[bytes], place: str, packed_size: int, package: zipfile.ZipFile | None = None) -> None:
        self.stream, self.place, self.package, self.given = stream, place, package, 0
        self.most = min(MOST_BYTES, max(SMALL, MOST_TIMES * packed_size))

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """The next bytes."""
        data = self.stream.read(len(buffer))
        self.given += len(data)
        if self.given > self.most:
            raise too_large(self.place, self.most)
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Close what is underneath, too."""
        self.stream.close()
        if self.package is not None:
            self.package.close()
        super().close()


def too_large(place: str, most: int) -> ReadError:
    """What to say of a file that unpacks to too much."""
    why = f"it unpacks to more than {most // 1_000_000} MB, far more than a log of its size holds"
    return ReadError(place, why, "if it is a log after all, unpack it yourself and split it into several files")


Opener = Callable[[], IO[bytes]]


def contents(file: Path, place: str) -> Iterator[tuple[str, str, Opener]]:
    """What a file holds: (place, name without its packing, how to open it from the start).

    :raises ReadError: a zip file is broken or holds too much.
    """
    suffix = file.suffix.lower()
    if suffix in PACKINGS:
        unpack: Any = {".gz": gzip.open, ".bz2": bz2.open, ".xz": lzma.open}[suffix]
        size = file.stat().st_size if file.is_file() else 0
        yield place, file.stem, lambda: io.BufferedReader(Measured(unpack(file, "rb"), place, size), 1 << 20)
    elif suffix == ".zip":
        yield from _members(file, place)
    else:
        yield place, file.name, lambda: file.open("rb")


def _members(file: Path, place: str) -> Iterator[tuple[str, str, Opener]]:
    try:
        with zipfile.ZipFile(file) as package:
            infos = sorted((info for info in package.infolist() if not info.is_dir()), key=lambda info: info.filename)
    except (*BROKEN, ValueError) as error:
        raise ReadError(place, f"it is no zip file ({error})", "pack it again, or unpack it") from error
    infos = [info for info in infos if not info.filename.split("/")[-1].startswith((".", "~$"))]
    infos = [info for info in infos if not info.filename.startswith("__MACOSX/")]
    if not infos:
        raise ReadError(place, "it holds no file", "pack the logs into it, or take it out of path")
    for info in infos:
        inner = f"{place}, file {info.filename}"
        if info.flag_bits & 0x1:
            raise ReadError(inner, "it is protected by a password", "pack it without one")
        yield inner, info.filename.split("/")[-1], _member(file, inner, info)


def _member(file: Path, place: str, info: zipfile.ZipInfo) -> Opener:
    def opened() -> IO[bytes]:
        package = zipfile.ZipFile(file)
        return io.BufferedReader(Measured(package.open(info), place, info.compress_size, package), 1 << 20)

    return opened


def refuse_bomb(file: Path, place: str) -> None:
    """Refuse a workbook, which is a zip file, whose parts unpack to too much; every part is unpacked and counted."""
    with zipfile.ZipFile(file) as package:
        size, total = file.stat().st_size, 0
        most = min(MOST_BYTES, max(SMALL, MOST_TIMES * size))
        for info in package.infolist():
            with package.open(info) as stream:
                while block := stream.read(1 << 20):
                    total += len(block)
                    if total > most:
                        raise too_large(place, most)
