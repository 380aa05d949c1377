"""Reader notebook: shots as paragraphs, one ``heading: value`` a line, as some people keep them in a text file."""

import pandas as pd
from pydantic import BaseModel, ConfigDict

from tastefield import hookimpl
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Reader


class Notebook(Reader):
    """One paragraph a shot."""

    name = "notebook"
    suffixes = (".notebook",)

    class Options(BaseModel):
        model_config = ConfigDict(extra="forbid")
        mark: str = ":"

    def read(self, files, ctx):
        for file in files:
            try:
                paragraphs = file.read_text(encoding="utf-8").split("\n\n")
            except (OSError, ValueError) as error:
                raise ReadError(file.name, str(error), "save it as UTF-8 text") from error
            pairs = [[line.partition(ctx.options.mark) for line in text.splitlines()] for text in paragraphs]
            shots = [{heading.strip(): value.strip() for heading, _, value in shot} for shot in pairs]
            yield Chunk(
                pd.DataFrame(shots, index=range(1, len(shots) + 1), dtype="str"), file.name, ("shots", "scores")
            )


@hookimpl
def tastefield_readers():
    return [Notebook()]
