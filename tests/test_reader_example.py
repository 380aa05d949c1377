"""The reader that README shows is held to the contract here."""

# snippet: reader
import pandas as pd

from tastefield import hookimpl
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Reader


class Pipes(Reader):
    name = "pipes"
    suffixes = (".pipes",)

    def read(self, files, ctx):
        for file in files:
            try:
                cells = [line.split("|") for line in file.read_text("utf-8").splitlines()]
                cells = [line + [""] * (len(max(cells, key=len)) - len(line)) for line in cells]
                rows = pd.DataFrame(cells[1:], columns=cells[0], index=range(2, len(cells) + 1))
            except (OSError, ValueError, IndexError) as error:
                raise ReadError(file.name, str(error), "write headings, then rows, with | between the cells") from error
            yield Chunk(rows, place=file.name)


@hookimpl
def tastefield_readers():
    return [Pipes()]


# end of snippet


# snippet: reader test
from tastefield.testing import ReaderContract, ReaderSample  # noqa: E402


class TestPipes(ReaderContract):
    plugin = Pipes()
    sample = ReaderSample({"a.pipes": "Machine|In|Out\nA|18|36\n\nB|17|30"}, rows=3, headings=("Machine", "In", "Out"))


# end of snippet
