"""The writer that DEVELOPERS.md shows is held to the contract here."""

# snippet: writer
from tastefield import hookimpl
from tastefield.hooks import Writer
from tastefield.words.phrases import readiness, recipe, setup_name


class Board(Writer):
    """One line a setup, for the board above the bench."""

    name = "board"

    def write_run(self, run, folder, ctx):
        with (folder / "board.txt").open("w", encoding="utf-8") as board:
            for result in run.setups:
                entry = result.entry
                line = f"{setup_name(entry['key'])}: {recipe(entry['aim'])} ({readiness(entry)})\n"
                board.write(line.encode("utf-8", "replace").decode())


@hookimpl
def tastefield_writers():
    return [Board()]


# end of snippet


# snippet: writer test
from tastefield.testing import WriterContract  # noqa: E402


class TestBoard(WriterContract):
    plugin = Board()


# end of snippet
