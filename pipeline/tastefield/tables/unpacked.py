"""What a packed file holds: refused where it unpacks to more than anybody could mean."""

from __future__ import annotations

import lzma
import zipfile
import zlib
from pathlib import Path

from tastefield.errors import ReadError

MOST_BYTES = 2_000_000_000
"""Most bytes a packed file may hold."""
MOST_TIMES, SMALL = 250, 100_000_000
"""Past ``SMALL`` bytes, how many times its own size a file may hold. Logs pack 5 to 50 times: tried, no source."""
MOST_OF_A_PART = 500_000_000
"""Most bytes that each part of a workbook may unpack to, because a part is held in memory whole."""

BROKEN = (OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, NotImplementedError, RuntimeError)
"""What the standard library raises where a packed file is torn, encrypted or packed in an unknown way."""


def most_bytes(packed_size: int) -> int:
    """How many bytes a file of that many may hold."""
    return min(MOST_BYTES, max(SMALL, MOST_TIMES * packed_size))


def too_large(place: str, most: int) -> ReadError:
    """What to say of a file that unpacks to too much."""
    why = f"it unpacks to more than {most // 1_000_000} MB, far more than a log of its size holds"
    return ReadError(place, why, "if it is a log after all, unpack it yourself and split it into several files")


def refuse_bomb(file: Path, place: str) -> None:
    """Refuse a workbook, which is a zip file, whose parts unpack to too much; every part is unpacked and counted.

    :raises ReadError: a part, or all of them, are too large.
    :raises Exception: one of ``BROKEN``, where it is no zip file or a torn one.
    """
    with zipfile.ZipFile(file) as package:
        most, total = most_bytes(file.stat().st_size), 0
        for info in package.infolist():
            part = 0
            with package.open(info) as stream:
                while block := stream.read(1 << 20):
                    part, total = part + len(block), total + len(block)
                    if total > most:
                        raise too_large(place, most)
                    if part > MOST_OF_A_PART:
                        why = f"its part {info.filename} unpacks to more than {MOST_OF_A_PART // 1_000_000} MB"
                        raise ReadError(place, why, "save what is needed of it as a workbook of its own")
