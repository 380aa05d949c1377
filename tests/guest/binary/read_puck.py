"""Reader puck: a machine's memory: PUCK, version, count, then name, tenths of a gram in and out, seconds."""

import struct

import pandas as pd

from tastefield import hookimpl
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Reader

HEAD = struct.Struct("<4sBH")
SHOT = struct.Struct("<8sHHB")


class Puck(Reader):
    """Shots as a machine's memory holds them."""

    name = "puck"
    suffixes = (".puck",)

    def read(self, files, ctx):
        for file in files:
            try:
                data = file.read_bytes()
                magic, version, count = HEAD.unpack_from(data)
                shots = list(SHOT.iter_unpack(data[HEAD.size :]))
            except (OSError, struct.error) as error:
                raise ReadError(file.name, str(error), "copy the file from the machine again") from error
            if (magic, version) != (b"PUCK", 1) or count != len(shots):
                why = f"it says {magic!r}, version {version}, {count} shots, and holds {len(shots)}"
                raise ReadError(file.name, why, "copy the file from the machine again")
            cells = [(name.decode("latin-1").strip("\0"), a / 10, b / 10, time) for name, a, b, time in shots]
            columns = ["machine", "dose (g)", "out (g)", "time (s)"]
            yield Chunk(pd.DataFrame(cells, columns=columns, index=range(1, count + 1)), file.name, ("shots",))


@hookimpl
def tastefield_readers():
    return [Puck()]
