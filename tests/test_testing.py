"""The conformance kit, itself tested: one broken plugin a check, each failing exactly its own check."""

from __future__ import annotations

import itertools
import struct
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pydantic import BaseModel, ConfigDict

from tastefield import registry
from tastefield.errors import ConfigError, NotEnough, ReadError
from tastefield.hooks import NoOptions
from tastefield.records import Chunk
from tastefield.testing import (
    Breach,
    Contract,
    ReaderContract,
    ReaderSample,
    SurfaceContract,
    WriterContract,
    outcomes,
    report,
    sample_run,
)

PLAIN_FILE = Path(__file__).parent / "guest" / "plain_plugins.py"
plain = registry.module_from_text(str(PLAIN_FILE), PLAIN_FILE.read_text(encoding="utf-8"))
counter = itertools.count()

SAMPLE = ReaderSample(
    files={"a.pipe": "Machine|In|Out\nA|18|36\nA|18|40\nB|18|30\n", "b.pipe": "Machine|In|Out\nB|17|30\n"},
    rows=4,
    headings=("Machine", "In", "Out"),
)


class TestPlainReader(ReaderContract):
    plugin = PLAIN_FILE
    sample = SAMPLE


class TestSharingSurface(SurfaceContract):
    @property
    def plugin(self):
        return Sharing()


class TestPlainSurface(SurfaceContract):
    plugin = plain.FlatModel()


class TestPlainWriter(WriterContract):
    plugin = plain.ListWriter()


# --- readers, each broken in one place ------------------------------------------------------------------------------


class WrongSuffixes(plain.PipeReader):
    suffixes = [".pipe"]


class SwallowsKeys(plain.PipeReader):
    class Options(BaseModel):
        separator: str = "|"


class HoldsAFunction(plain.PipeReader):
    def __init__(self):
        self.split = lambda line: line.split("|")


class CountsCalls(plain.PipeReader):
    def __init__(self):
        self.calls = 0

    def read(self, files, ctx):
        self.calls += 1
        yield from super().read(files, ctx)


class YieldsAFrame(plain.PipeReader):
    def read(self, files, ctx):
        yield from super().read(files, ctx)
        yield pd.DataFrame()


class DropsTheLastRow(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows.iloc[:-1], chunk.place)


class CountsFromZeroInEachChunk(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows.reset_index(drop=True), chunk.place)


class TidiesHeadings(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows.rename(columns=str.lower), chunk.place)


class NamesThePlaceByAPath(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows, Path(chunk.place))


class LeavesACache(plain.PipeReader):
    def read(self, files, ctx):
        for file in files:
            if file.exists():
                file.with_suffix(".cache").write_text("x")
        yield from super().read(files, ctx)


class ReadsDifferentlyEachTime(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows, f"{chunk.place} {next(counter)}")


class KeepsFilesByName(plain.PipeReader):
    def read(self, files, ctx):
        for file in {file.name: file for file in files}.values():
            for chunk in super().read([file], ctx):
                yield Chunk(chunk.rows, f"{file.parent.name}/{file.name}")


class IgnoresMissingFiles(plain.PipeReader):
    def read(self, files, ctx):
        yield from super().read([file for file in files if file.exists()], ctx)


class ChokesOnGarbage(plain.PipeReader):
    def read(self, files, ctx):
        for file in files:
            try:
                yield from super().read([file], ctx)
            except ReadError:
                if file.exists() and not file.read_bytes().startswith(b"Machine"):
                    raise KeyError("Machine") from None
                raise


class HoldsAWord(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows, chunk.place, holds="shots")


class GivesBytes(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows.map(str.encode), chunk.place)


class GivesLists(plain.PipeReader):
    def read(self, files, ctx):
        for chunk in super().read(files, ctx):
            yield Chunk(chunk.rows.map(list), chunk.place)


class TripsOverALineThatStops(plain.PipeReader):
    def read(self, files, ctx):
        for file in files:
            if file.exists() and file.read_bytes().startswith(b"Machine") and not file.read_bytes().endswith(b"\n"):
                raise IndexError("list index out of range")
        yield from super().read(files, ctx)


READERS = {
    "has_the_shape_of_the_contract": WrongSuffixes,
    "options_refuse_unknown_keys": SwallowsKeys,
    "can_be_sent_to_another_process": HoldsAFunction,
    "keeps_no_state": CountsCalls,
    "yields_chunks": YieldsAFrame,
    "loses_no_row": DropsTheLastRow,
    "rows_are_numbered_as_their_owner_counts": CountsFromZeroInEachChunk,
    "headings_are_untouched": TidiesHeadings,
    "names_the_place": NamesThePlaceByAPath,
    "holds_known_tables": HoldsAWord,
    "cells_are_single_values": GivesBytes,
    "leaves_the_files_alone": LeavesACache,
    "reads_the_same_twice": ReadsDifferentlyEachTime,
    "tells_files_of_one_name_apart": KeepsFilesByName,
    "says_that_a_file_is_missing": IgnoresMissingFiles,
    "survives_garbage": ChokesOnGarbage,
    "notices_a_file_cut_short": TripsOverALineThatStops,
}


# --- surface models, each broken in one place -----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Bent(plain.FlatSurface):
    """A surface with one answer replaced."""

    answers: tuple[str, object] = ("", None)

    def __getattribute__(self, name):
        bent, answer = object.__getattribute__(self, "answers")
        return answer.__get__(self) if name == bent else super().__getattribute__(name)


def bent(name: str, answer: object) -> type:
    """A model whose surface gives another answer to one question."""

    class BentModel(plain.FlatModel):
        def fit(self, setup, population, ctx):
            return Bent(**vars(super().fit(setup, population, ctx)), answers=(name, answer))

    return BentModel


def numbers_for_support(self, points):
    return plain.FlatSurface.speaks_for(self, points).astype(float)


def a_hole(self, points):
    mean = np.array(plain.FlatSurface.mean(self, points))
    mean[points[:, 0] < 2.0] = np.nan
    return mean


def leans_on_neighbours(self, points):
    return plain.FlatSurface.mean(self, points) + 1e-4 * points[:, 0].max()


def timid_draws(self, points, n, seed):
    return self.level + 0.5 * (plain.FlatSurface.draws(self, points, n, seed) - self.level)


def timid_directions(self, points, seed):
    return 0.5 * plain.FlatSurface.directions(self, points, seed)


def fresh_draws(self, points, n, seed):
    return plain.FlatSurface.draws(self, points, n, next(counter))


class SwallowsKeysModel(plain.FlatModel):
    class Options(BaseModel):
        pass


class HoldsAFunctionModel(plain.FlatModel):
    def __init__(self):
        self.link = lambda score: score


class RemembersModel(plain.FlatModel):
    def fit(self, setup, population, ctx):
        self.last = setup.key
        return super().fit(setup, population, ctx)


class WrongArgumentsModel(plain.FlatModel):
    def gather(self, setups, context):
        return None


class ArrayPopulation(plain.FlatModel):
    def learn(self, gathered, prior, ctx):
        return {"mean": np.array([1.0])}


class AddsAColumn(plain.FlatModel):
    def fit(self, setup, population, ctx):
        setup.shots["used"] = True
        return super().fit(setup, population, ctx)


class Shifted(plain.FlatModel):
    """The level moves by something it should not depend on."""

    def by(self, setup):
        raise NotImplementedError

    def fit(self, setup, population, ctx):
        fitted = super().fit(setup, population, ctx)
        return plain.FlatSurface(**{**vars(fitted), "level": fitted.level + self.by(setup)})


class LikesTheFirstRow(Shifted):
    def by(self, setup):
        return 0.01 * float(setup.shots["ratio"].iloc[0])


class LikesANameModel(Shifted):
    def by(self, setup):
        return 0.01 * len(min(setup.tasters))


class FitsNothing(plain.FlatModel):
    def fit(self, setup, population, ctx):
        try:
            return super().fit(setup, population, ctx)
        except NotEnough:
            raise ZeroDivisionError("no shots") from None


class TwoFits(plain.FlatModel):
    def fit(self, setup, population, ctx):
        fitted = super().fit(setup, population, ctx)
        tables = fitted.tables
        twice = type(tables)(tables.terms, pd.concat([tables.fit] * 2), tables.observations)
        return plain.FlatSurface(**{**vars(fitted), "tables": twice})


class OwnColumns(plain.FlatModel):
    def fit(self, setup, population, ctx):
        fitted = super().fit(setup, population, ctx)
        fitted.tables.terms["my_column"] = 1.0
        return fitted


class HoldsAFunctionSurface(plain.FlatModel):
    def fit(self, setup, population, ctx):
        fitted = super().fit(setup, population, ctx)
        return plain.FlatSurface(**{**vars(fitted), "model": (lambda: "flat")})


class Seen(BaseModel):
    """What a model that grows surer with every shot it heard of shares."""

    model_config = ConfigDict(extra="forbid")

    seen: int
    who: list[str] = []


class Sharing(plain.FlatModel):
    """A model that another run may start from."""

    Shared = Seen

    def gather(self, setups, ctx):
        return [(setup.key["machine"], len(setup.shots)) for setup in setups]

    def learn(self, gathered, prior, ctx):
        told = [one for part in gathered for one in part]
        return {"seen": sum(shots for _, shots in told) + (prior or {"seen": 0})["seen"], "who": self.who(told)}

    def who(self, told):
        return []

    def join(self, shared, weights, ctx):
        return {"seen": sum(one["seen"] for one in shared), "who": []}

    def fit(self, setup, population, ctx):
        fitted = super().fit(setup, population, ctx)
        return plain.FlatSurface(**{**vars(fitted), "error": fitted.error / (1 + population["seen"])})


class NamesMachines(Sharing):
    def who(self, told):
        return sorted(machine for machine, _ in told)


class ForgetsWhatOthersSaw(Sharing):
    def join(self, shared, weights, ctx):
        return {"seen": 0, "who": []}


SURFACES = {
    "has_the_shape_of_the_contract": WrongArgumentsModel,
    "options_refuse_unknown_keys": SwallowsKeysModel,
    "can_be_sent_to_another_process": HoldsAFunctionModel,
    "keeps_no_state": RemembersModel,
    "the_population_is_plain_data": ArrayPopulation,
    "what_leaves_the_run_is_declared_and_names_nobody": NamesMachines,
    "another_run_can_start_from_it": ForgetsWhatOthersSaw,
    "answers_have_the_right_shape": bent("speaks_for", numbers_for_support),
    "speaks_only_in_numbers": bent("mean", a_hole),
    "a_point_is_answered_alone": bent("mean", leans_on_neighbours),
    "draws_agree_with_mean_and_doubt": bent("draws", timid_draws),
    "directions_agree_with_draws": bent("directions", timid_directions),
    "the_same_seed_gives_the_same_draws": bent("draws", fresh_draws),
    "leaves_the_setup_untouched": AddsAColumn,
    "the_order_of_rows_does_not_matter": LikesTheFirstRow,
    "names_of_tasters_do_not_matter": LikesANameModel,
    "says_not_enough_of_nothing": FitsNothing,
    "answers_with_three_tables": TwoFits,
    "the_surface_can_be_sent_to_another_process": HoldsAFunctionSurface,
}


# --- writers, each broken in one place ------------------------------------------------------------------------------


def writer(**parts: object) -> type:
    """The plain writer with some parts replaced."""
    return type("BrokenWriter", (plain.ListWriter,), parts)


def and_also(extra) -> object:
    """A write_run that does something more."""

    def write_run(self, run, folder, ctx):
        plain.ListWriter.write_run(self, run, folder, ctx)
        extra(run, folder)

    return write_run


def leak(run, folder):
    (folder.parent / "leak.txt").write_text("x")


def files_by_name(run, folder):
    for setup in run.setups:
        name = setup.entry["key"]["machine"]
        (folder / (name if name.startswith(".") else name.strip("/<>=+@&'\"")[:1])).write_text("x")


def raw_page(run, folder):
    (folder / "page.html").write_text("".join(setup.entry["key"]["machine"] for setup in run.setups))


def raw_csv(run, folder):
    machines = pd.DataFrame({"machine": [setup.entry["key"]["machine"] for setup in run.setups]})
    machines.to_csv(folder / "machines.csv", index=False)


def add_column(run, folder):
    for setup in run.setups:
        setup.shots["seen"] = True


def append(self, result, folder, ctx):
    with (folder / "setups.txt").open("a") as file:
        file.write(result.slug)


class HoldsAFunctionWriter(plain.ListWriter):
    def __init__(self):
        self.form = lambda value: value


class CountsWriter(plain.ListWriter):
    def write_setup(self, result, folder, ctx):
        self.count = getattr(self, "count", 0) + 1
        super().write_setup(result, folder, ctx)


class SwallowsKeysWriter(plain.ListWriter):
    class Options(NoOptions):
        model_config = ConfigDict(extra="allow")


WRITERS = {
    "has_the_shape_of_the_contract": writer(default="yes"),
    "options_refuse_unknown_keys": SwallowsKeysWriter,
    "can_be_sent_to_another_process": HoldsAFunctionWriter,
    "keeps_no_state": CountsWriter,
    "writes_something": writer(
        write_setup=lambda self, result, folder, ctx: None, write_run=lambda self, run, folder, ctx: None
    ),
    "writes_only_into_its_folder": writer(write_run=and_also(leak)),
    "names_are_no_paths": writer(write_run=and_also(files_by_name)),
    "names_are_no_markup": writer(write_run=and_also(raw_page)),
    "names_are_no_formulas": writer(write_run=and_also(raw_csv)),
    "setups_come_in_any_order": writer(write_setup=append),
    "writes_the_same_bytes_twice": writer(
        write_run=and_also(lambda run, folder: (folder / "count.txt").write_text(str(next(counter))))
    ),
    "leaves_the_run_untouched": writer(write_run=and_also(add_column)),
    "a_run_without_setups_is_no_error": writer(write_run=and_also(lambda run, folder: run.setups[0])),
}


def contract_of(base: type[Contract], plugin: type) -> Contract:
    module_level = {"plugin": plugin(), "sample": SAMPLE}
    return type("Mutant", (base,), module_level)()


KITS = [(ReaderContract, READERS), (SurfaceContract, SURFACES), (WriterContract, WRITERS)]
MUTANTS = [(base, check, mutant) for base, mutants in KITS for check, mutant in mutants.items()]


@pytest.mark.parametrize(("base", "check", "mutant"), MUTANTS, ids=[f"{b.kind.word}-{c}" for b, c, _ in MUTANTS])
def test_each_broken_plugin_fails_exactly_its_own_check(base, check, mutant, monkeypatch):
    # classes made inside functions cannot be pickled by name: stand them where pickle looks
    mutant.__qualname__ = mutant.__name__ = f"{mutant.__name__}_{check}"
    mutant.__module__ = __name__
    monkeypatch.setitem(sys.modules, __name__, sys.modules.get(__name__) or type(sys)(__name__))
    monkeypatch.setattr(sys.modules[__name__], mutant.__name__, mutant, raising=False)
    failed = {name: error for name, error in outcomes(contract_of(base, mutant)) if error is not None}
    assert list(failed) == [check], failed
    assert isinstance(failed[check], Breach)


@pytest.mark.parametrize(("base", "mutants"), KITS, ids=["readers", "surfaces", "writers"])
def test_every_check_has_a_mutant(base, mutants):
    assert [name for name, _ in base().checks()] == list(mutants)
    assert all(check.__doc__ for _, check in base().checks())


class Pairs(plain.PipeReader):
    """Two bytes a record, whatever is left over at the end unread."""

    def read(self, files, ctx):
        for file in files:
            try:
                cells = list(struct.iter_unpack("<BB", file.read_bytes()[: file.stat().st_size // 2 * 2]))
            except OSError as error:
                raise ReadError(file.name, str(error), "copy it again") from error
            rows = pd.DataFrame(cells, columns=["dose (g)", "out (g)"], index=range(1, len(cells) + 1))
            yield Chunk(rows, file.name)


class WholePairs(Pairs):
    def read(self, files, ctx):
        for file in files:
            if file.exists() and file.stat().st_size % 2:
                raise ReadError(file.name, "half a record stands at its end", "copy it again")
        yield from super().read(files, ctx)


def reader_failures(plugin, sample=SAMPLE):
    kept = type("Kept", (ReaderContract,), {"plugin": plugin, "sample": sample})()
    return {name: str(error) for name, error in outcomes(kept) if error is not None}


def test_a_reader_of_bytes_must_notice_that_the_last_one_is_missing():
    """Half a binary file may be whole records; a byte short of it never is, so that silence lost a row."""
    sample = ReaderSample({"a.pairs": b"\x12\x24\x12\x28\x11\x1e"}, 3, ("dose (g)", "out (g)"))
    failed = reader_failures(Pairs(), sample)
    assert list(failed) == ["notices_a_file_cut_short"]
    assert "a.pairs cut by one byte was read without a word, 2 of 3 rows: raise ReadError" in str(failed)
    assert reader_failures(WholePairs(), sample) == {}


def test_a_shorter_text_is_a_text_still_in_whatever_encoding():
    class Latin(plain.PipeReader):
        def read(self, files, ctx):
            for file in files:
                try:
                    lines = [line.split("|") for line in file.read_bytes().decode("latin-1").splitlines()]
                    rows = pd.DataFrame(lines[1:], columns=lines[0], index=range(2, len(lines) + 1))
                except (OSError, ValueError, IndexError) as error:
                    raise ReadError(file.name, str(error), "save it again") from error
                yield Chunk(rows, file.name)

    sample = ReaderSample({"a.pipe": "Temp °C|In\n93|18\n".encode("latin-1")}, 1, ("Temp °C", "In"))
    assert "notices_a_file_cut_short" not in reader_failures(Latin(), sample)


def test_what_is_wrong_with_a_chunk_is_told_with_what_to_write():
    assert 'write a tuple, ("shots",)' in reader_failures(HoldsAWord())["holds_known_tables"]
    assert "give file.name" in reader_failures(NamesThePlaceByAPath())["names_the_place"]
    assert "row 2 of Machine holds bytes b'A': decode it" in reader_failures(GivesBytes())["cells_are_single_values"]
    assert "holds list ['A']: give one value a cell" in reader_failures(GivesLists())["cells_are_single_values"]


def test_a_crash_is_told_with_the_readers_own_line():
    own = Path(__file__).read_text("utf-8").splitlines()
    line = own.index('                raise IndexError("list index out of range")') + 1
    told = reader_failures(TripsOverALineThatStops())["notices_a_file_cut_short"]
    assert f"IndexError: list index out of range, test_testing.py line {line}; raise ReadError" in told


def test_a_column_that_no_glossary_knows_is_told():
    failed = [str(error) for _, error in outcomes(contract_of(SurfaceContract, OwnColumns)) if error]
    assert len(failed) == 1
    assert "my_column" in failed[0]


def test_the_sample_run_has_a_setup_of_each_readiness():
    assert [setup.entry["status"] for setup in sample_run().setups] == ["window", "tentative", "insufficient"]


# --- the same list from pytest and from the command line ------------------------------------------------------------


@pytest.fixture
def _nothing_installed(monkeypatch):
    monkeypatch.setattr(registry, "_installed", list)


def guest_test(folder: Path, sample: str) -> Path:
    file = folder / "test_plain_plugins.py"
    file.write_text(
        textwrap.dedent(f"""
        from pathlib import Path
        from tastefield.testing import ReaderContract, ReaderSample

        class TestPipe(ReaderContract):
            plugin = Path(__file__).with_name("plain_plugins.py")
            sample = {sample}
        """)
    )
    return file


GOOD_SAMPLE = 'ReaderSample({"a.pipe": "In|Out\\n18|36\\n"}, rows=1, headings=("In", "Out"))'


@pytest.mark.usefixtures("_nothing_installed")
def test_the_command_line_runs_the_same_checks_on_a_plugin_file(tmp_path):
    (tmp_path / "plain_plugins.py").write_text(PLAIN_FILE.read_text())
    guest_test(tmp_path, GOOD_SAMPLE)
    lines, kept = report(tmp_path / "plain_plugins.py")
    assert kept
    assert {line.split()[1] for line in lines if line.startswith("ok")} == {*READERS, *SURFACES, *WRITERS}
    assert [line for line in lines if "keeps its contract" in line] == [
        "surface flat keeps its contract",
        "writer list keeps its contract",
        "reader pipe keeps its contract",
    ]


@pytest.mark.usefixtures("_nothing_installed")
def test_the_command_line_names_the_check_that_fails(tmp_path):
    (tmp_path / "plain_plugins.py").write_text(PLAIN_FILE.read_text())
    lines, kept = report(guest_test(tmp_path, GOOD_SAMPLE.replace("rows=1", "rows=2")))
    assert not kept
    assert [line for line in lines if line.startswith("FAIL")] == [
        "FAIL  loses_no_row: the sample holds 2 rows, 1 came out"
    ]
    assert lines[-1] == "reader pipe breaks 1 of its rules"


@pytest.mark.usefixtures("_nothing_installed")
def test_a_reader_without_a_sample_is_told_how_to_give_one(tmp_path):
    (tmp_path / "plain_plugins.py").write_text(PLAIN_FILE.read_text())
    with pytest.raises(ConfigError, match=r"test_plain_plugins\.py"):
        report(tmp_path / "plain_plugins.py")


@pytest.mark.parametrize(("text", "says"), [("x = 1", "nothing to check"), ("def", "SyntaxError"), (None, "No such")])
def test_a_file_that_holds_nothing_to_check_is_refused(tmp_path, text, says):
    if text is not None:
        (tmp_path / "mine.py").write_text(text)
    with pytest.raises(ConfigError, match=says):
        report(tmp_path / "mine.py")


def test_pytest_gives_every_check_its_own_test_named_after_it(tmp_path):
    (tmp_path / "plain_plugins.py").write_text(PLAIN_FILE.read_text())
    file = guest_test(tmp_path, GOOD_SAMPLE)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-v", str(file)],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    for name in READERS:
        assert f"test_keeps_the_contract[{name}] PASSED" in done.stdout


def test_the_kit_is_importable_without_pytest():
    code = "import sys; sys.modules['pytest'] = None; import tastefield.testing"
    subprocess.run([sys.executable, "-c", code], check=True)
