"""The beginning of a guest's own reader: one file that works and its test, which passes at once."""

from __future__ import annotations

from pathlib import Path

from tastefield.contract import NAME
from tastefield.errors import ConfigError, Problem

READER = '''"""Reader {name}: lines of cells between bars, headings first. Change `read` to suit your files."""

import pandas as pd

from tastefield import hookimpl
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Reader


class {title}(Reader):
    """Lines of cells between bars."""

    name = "{name}"
    suffixes = (".{name}",)

    def read(self, files, ctx):
        for file in files:
            try:
                lines = [line.split("|") for line in file.read_text(encoding="utf-8").splitlines()]
                width = max(len(line) for line in lines)
                cells = [line + [""] * (width - len(line)) for line in lines]
                rows = pd.DataFrame(cells[1:], columns=cells[0], index=range(2, len(cells) + 1))
            except (OSError, ValueError) as error:
                raise ReadError(file.name, str(error), "write headings and rows with | between the cells") from error
            yield Chunk(rows, file.name)


@hookimpl
def tastefield_readers():
    return [{title}()]
'''

TEST = '''"""Reader {name} keeps the contract. Put a few lines of a real file of yours into the sample.

Run it with `tastefield plugins --test read_{name}.py` or with pytest.
"""

from pathlib import Path

from tastefield.testing import ReaderContract, ReaderSample


class Test{title}(ReaderContract):
    plugin = Path(__file__).with_name("read_{name}.py")
    sample = ReaderSample(
        files={{"log.{name}": "Machine|Coffee|In|Out|Time\\nA|Morning|18|36|27\\nA|Morning|18|40|24\\n"}},
        rows=2,
        headings=("Machine", "Coffee", "In", "Out", "Time"),
    )
'''


def new_reader(name: str, folder: Path) -> list[Path]:
    """Write ``read_NAME.py`` and ``test_read_NAME.py``.

    :returns: the files written.
    :raises ConfigError: the name is no plugin name, or a file of that name is there.
    """
    if not NAME.fullmatch(name):
        why = "it becomes part of a file name and the word in reader = ..."
        do = "use lower case letters, digits and underscores, a letter first"
        raise ConfigError(Problem(f'"{name}" cannot name a reader', "new reader", why, do))
    title = "".join(part.capitalize() for part in name.split("_"))
    texts = {f"read_{name}.py": READER, f"test_read_{name}.py": TEST}
    return write_new({folder / file: text.format(name=name, title=title).encode() for file, text in texts.items()})


def write_new(contents: dict[Path, bytes]) -> list[Path]:
    """Write files that must not be there yet: all of them or none.

    :raises ConfigError: one is there, or the folder cannot be written.
    """
    there = [path for path in contents if path.exists()]
    if there:
        do = "move it away, or work in another folder"
        raise ConfigError(Problem("is there already and will not be overwritten", str(path), do=do) for path in there)
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write(content)
    except OSError as error:
        where, why = str(error.filename), error.strerror or str(error)
        raise ConfigError(Problem("cannot be written", where, why, "choose a folder you may write to")) from error
    return list(contents)
