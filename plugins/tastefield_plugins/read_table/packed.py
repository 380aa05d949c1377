"""Packed files: gz, bz2, xz and zip opened as streams, refused where they unpack to more than anybody could mean."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from tastefield.errors import ReadError
from tastefield.tables.unpacked import BROKEN, most_bytes, too_large

PACKINGS = (".gz", ".bz2", ".xz")


class Measured(io.RawIOBase):
    """A stream that refuses to give more bytes than a packed file of its size may hold."""

    def __init__(self, stream: IO[bytes], place: str, packed_size: int, package: zipfile.ZipFile | None = None) -> None:
        self.stream, self.place, self.package, self.given = stream, place, package, 0
        self.most = most_bytes(packed_size)

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
