"""Ingest: headings understood or named, rows filled but never lost, every fault told at once."""

from pathlib import Path

import pandas as pd
import pytest

from tastefield.config import SourceConfig
from tastefield.errors import ConfigError, PluginError, ReadError, TastefieldError
from tastefield.hooks import Chunk, NoOptions, Reader
from tastefield.stages.ingest import ingest
from tastefield.words.findings import Finding

ROWS = {
    "Machine": ["A", "A"],
    "Beans": ["house", "house"],
    "In": ["18", "18.1"],
    "Out": ["36", "37"],
    "Taste": ["7", ""],
}


class Given(Reader):
    """Hands on what a test gives it."""

    name = "given"
    suffixes = (".csv",)

    def __init__(self, *chunks, error=None):
        self.chunks, self.error = chunks, error

    def read(self, files, ctx):
        yield from self.chunks
        if self.error:
            raise self.error


def chunk(columns, place="log.csv", holds=(), start=2):
    frame = pd.DataFrame(columns, dtype=object)
    frame.index = pd.RangeIndex(start, start + len(frame))
    return Chunk(frame, place, holds)


def run(*chunks, **source):
    config = SourceConfig(reader="given", **source)
    return ingest([config], {"given": Given(*chunks)}, Path(), 1, [NoOptions()])


def rows(ingested, table="shots", place=None):
    (raw,) = [one for one in ingested.raw if one.table == table and place in (None, one.place)]
    return raw.rows


def told(ingested, code):
    return [finding for finding in ingested.findings if finding.code == code]


# --- headings --------------------------------------------------------------------------------------------------------


def test_without_configuration_common_headings_are_understood_and_told():
    ingested = run(chunk(ROWS))
    assert [(raw.table, raw.together) for raw in ingested.raw] == [("shots", True), ("scores", True)]
    assert list(rows(ingested)) == ["machine", "coffee", "dose_g", "beverage_g"]
    assert rows(ingested, "scores")["score"].to_dict() == {2: "7"}
    (finding,) = told(ingested, "headings_understood")
    assert 'dose_g = "In"' in finding.message
    assert "machine" not in finding.message


def test_what_is_not_understood_is_named_with_its_filled_cells():
    ingested = run(chunk({**ROWS, "Crema": ["thick", None], "Empty": ["", None]}))
    (finding,) = told(ingested, "columns_unused")
    assert '"Crema" (1 filled)' in finding.message
    assert "Empty" not in finding.message


def test_the_configuration_names_headings_and_cells_stay_raw():
    ingested = run(
        chunk({"Maschine": ["A"], "Bohne": ["x"], "Rein": [" 18,2 g"]}),
        columns={"machine": "Maschine", "coffee": "Bohne", "dose_g": "Rein"},
    )
    assert rows(ingested)["dose_g"].tolist() == [" 18,2 g"]
    assert ingested.raw[0].headings["dose_g"] == "Rein"
    assert ingested.findings == ()


def test_a_missing_dose_is_told_with_the_headings_found_and_how_to_map():
    with pytest.raises(ConfigError) as caught:
        run(chunk({"Machine": ["A"], "Ground": ["18"]}), chunk({"Foo": ["1"]}, place="more.csv"))
    first, second = caught.value.problems
    assert (first.where, second.where) == ("log.csv", "more.csv")
    assert first.why == 'the headings are "Machine", "Ground"'
    assert first.do == 'write under [source.columns] of its [[source]]: dose_g = "the heading as it stands"'


def test_a_dose_given_as_a_constant_needs_no_heading():
    ingested = run(chunk({"Machine": ["A"], "Beans": ["x"], "Out": ["36"]}), fill={"dose_g": "18"})
    assert rows(ingested)["dose_g"].tolist() == ["18"]


def test_a_configured_heading_that_stands_nowhere_is_refused_with_the_nearest():
    with pytest.raises(ConfigError) as caught:
        run(chunk(ROWS), columns={"dose_g": "Inn", "notes": "Remarks"})
    assert any(
        'there is no heading "Inn"' in str(problem) and 'write "In"' in str(problem)
        for problem in caught.value.problems
    )
    assert any('"Remarks"' in str(problem) for problem in caught.value.problems)


def test_a_heading_missing_in_one_of_several_files_is_a_note():
    ingested = run(chunk({**ROWS, "Temp": [93, 94]}), chunk(ROWS, place="more.csv"), columns={"temp_set_c": "Temp"})
    (finding,) = told(ingested, "heading_missing_here")
    assert finding.where == {"place": "more.csv"}


def test_a_unit_no_column_can_have_is_refused_before_anything_is_read():
    with pytest.raises(ConfigError) as caught:
        run(Chunk, units={"dose_g": "stones", "shot_time_s": "h:min", "machine": "g"})
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize(
    ("columns", "tables"),
    [
        (["Machine", "Beans", "Dose"], ["shots"]),
        (["Machine", "Beans", "Dose", "Taste"], ["shots", "scores"]),
        (["Machine", "Beans", "Dose", "TDS", "Score"], ["shots", "readings", "scores"]),
        (["shot_id", "taster", "score"], ["scores"]),
        (["shot_id", "TDS"], ["readings"]),
        (["shot_id", "t_s", "mass_g"], ["traces"]),
        (["machine", "check", "value"], ["checks"]),
    ],
)
def test_what_a_place_holds_is_seen_from_its_headings(columns, tables):
    ingested = run(chunk({name: ["1"] for name in columns}))
    assert [raw.table for raw in ingested.raw] == tables
    assert all(raw.together == (len(tables) > 1) for raw in ingested.raw)


def test_a_reader_that_knows_what_it_holds_is_believed():
    assert [raw.table for raw in run(chunk(ROWS, holds=("shots",))).raw] == ["shots"]


# --- names -----------------------------------------------------------------------------------------------------------


def test_a_log_that_names_neither_machine_nor_coffee_loses_no_row():
    ingested = run(chunk({"In": ["18"], "Out": ["36"]}, place="red two-group.csv"))
    assert rows(ingested)[["machine", "coffee"]].values.tolist() == [["red two-group", "not named"]]
    assert {finding.where["place"] for finding in told(ingested, "not_named")} == {"red two-group.csv"}
    assert len(told(ingested, "not_named")) == 2


def test_where_an_unknown_heading_may_name_the_machine_it_is_asked_about():
    apart = {"Ref": ["A", "B"], "Site": ["here", "here"], "Crema": ["", "thick"]}
    ingested = run(chunk({**{name: ROWS[name] for name in ("Beans", "In", "Out")}, **apart}))
    (finding,) = told(ingested, "perhaps_named")
    assert finding.severity == "warn"
    assert finding.message.endswith('may name it: "Ref".')  # the others do not tell rows apart
    assert 'machine = "Ref"' in finding.do
    assert told(ingested, "not_named") == []


@pytest.mark.parametrize(
    ("names", "first"),
    [(("Dosse", "Bean name"), "Bean name"), (("Grind seting", "Ref"), "Ref"), (("Grind seting",), "")],
)
def test_what_may_name_the_coffee_and_what_is_suggested_for_a_column_agree(names, first):
    """One heading is suggested for one thing: "Grind seting" is a misspelt column, and so no coffee."""
    apart = {name: ["18", "19"] for name in names}
    ingested = run(chunk({**{name: ROWS[name] for name in ("Machine", "In", "Out")}, **apart}))
    asked = [finding.message for finding in told(ingested, "perhaps_named")]
    assert [message.endswith(f'may name it: "{first}".') for message in asked] == [True] * bool(first)
    assert ingested.headings[0].suggested.get("coffee", first) == first


def test_a_coffee_column_nobody_filled_is_as_good_as_none():
    ingested = run(chunk({**ROWS, "Beans": ["", None]}))
    assert rows(ingested)["coffee"].tolist() == ["not named", "not named"]


def test_a_coffee_named_in_some_rows_is_not_made_up_for_the_others():
    ingested = run(chunk({**ROWS, "Beans": ["house", None]}))
    assert rows(ingested)["coffee"].tolist() == ["house", None]
    assert told(ingested, "not_named") == []


# --- filling ---------------------------------------------------------------------------------------------------------


def test_constants_fill_empty_cells_and_overwrite_nothing():
    ingested = run(chunk({**ROWS, "Machine": ["A", "-"]}), fill={"machine": "B", "operator": "Ann"})
    assert rows(ingested)["machine"].tolist() == ["A", "B"]
    assert rows(ingested)["operator"].tolist() == ["Ann", "Ann"]


def test_a_constant_may_be_the_name_of_the_sheet_or_of_the_file():
    sheets = [chunk({**ROWS, "Machine": ["", "B"]}, place=f"March.xlsx, sheet {name}") for name in ("red", "blue, new")]
    ingested = run(*sheets, fill={"machine": "{sheet}", "session": "{file}, {sheet}"})
    assert [one.rows["machine"].tolist() for one in ingested.raw if one.table == "shots"] == [
        ["red", "B"],
        ["blue, new", "B"],
    ]
    assert rows(ingested, place=sheets[0].place)["session"].tolist() == ["March, red"] * 2
    packed = run(chunk(ROWS, place="logs.zip, file march.csv.gz"), fill={"operator": "{file}"})
    assert rows(packed)["operator"].tolist() == ["march", "march"]


def test_the_name_of_a_sheet_where_there_is_none_is_refused():
    with pytest.raises(ConfigError, match="no sheet to take a name from"):
        run(chunk(ROWS), fill={"machine": "{sheet}"})


def test_a_constant_taster_makes_no_score_where_nobody_tasted():
    ingested = run(chunk(ROWS), fill={"taster": "me"})
    assert rows(ingested, "scores").to_dict("index") == {2: {"taster": "me", "score": "7"}}


def test_a_taster_typed_where_nobody_tasted_is_read_so_that_it_can_be_accounted_for():
    ingested = run(chunk({**ROWS, "Taster": ["me", "you"], "Session": ["1", "1"]}))
    assert rows(ingested, "scores").loc[3].to_dict() == {"taster": "you", "score": None, "session": None}


def test_filling_down_stops_at_blank_rows_totals_and_the_next_thing():
    ingested = run(
        chunk(
            {
                "Machine": ["A", None, None, "B", None, "Total", None],
                "Beans": ["x", None, None, "y", None, None, None],
                "Basket": ["double", None, None, None, None, None, None],
                "In": ["18", "18", None, "18", "18", "72", "18"],
            }
        ),
        fill_down=("machine", "coffee", "basket"),
        fill={"operator": "Ann"},
    )
    found = rows(ingested).astype(object).where(rows(ingested).notna(), None)
    assert found["machine"].to_dict() == {2: "A", 3: "A", 5: "B", 6: "B", 7: "Total", 8: "B"}  # row 4 is blank
    assert found["coffee"].to_dict() == {2: "x", 3: "x", 5: "y", 6: "y", 7: None, 8: "y"}
    assert found["basket"].to_dict() == {2: "double", 3: "double", 5: None, 6: None, 7: None, 8: None}
    assert found["operator"].to_dict()[7] is None


def test_ditto_marks_take_the_cell_above_and_are_told():
    ingested = run(
        chunk(
            {
                "Machine": ["A", '"', "ditto", None, "〃"],
                "Beans": ["x", "y", "''", "-", "as above"],
                "In": ["18", '"', "18.2", "18", "18"],
                "Notes": ["", '"', "same", "", ""],
            }
        )
    )
    found = rows(ingested)
    assert found["machine"].tolist() == ["A", "A", "A", None, "A"]
    assert found["coffee"].tolist() == ["x", "y", "y", "-", "y"]
    assert found["dose_g"].tolist() == ["18", "18", "18.2", "18", "18"]
    assert found["notes"].tolist()[1:3] == ['"', "same"]
    assert told(ingested, "ditto_marks")[0].message.endswith("first in row 3: 3.")
    assert told(ingested, "dittos_of_measurements")[0].severity == "warn"


def test_a_ditto_mark_with_nothing_above_stays_and_a_total_is_passed_over():
    ingested = run(chunk({"Machine": ['"', "A", "Total", '"'], "Beans": ["x", "x", None, "x"], "In": [18, 18, 36, 18]}))
    assert rows(ingested)["machine"].tolist() == ['"', "A", "Total", "A"]


def test_headings_of_volume_are_no_weights_and_told():
    ingested = run(chunk({"Machine": ["A"], "Beans": ["x"], "In": ["18"], "Out (ml)": ["40"]}))
    assert "beverage_g" not in rows(ingested)
    assert '"Out (ml)"' in told(ingested, "volumes_unused")[0].message


# --- places and rows -------------------------------------------------------------------------------------------------


def test_blank_rows_are_no_rows_and_row_numbers_stay():
    ingested = run(chunk({"Machine": ["A", None, " ", "A"], "Beans": ["x", "", "-", "x"], "In": [18, None, None, 18]}))
    assert rows(ingested).index.tolist() == [2, 5]


def test_chunks_of_one_place_are_joined():
    ingested = run(chunk(ROWS), chunk(ROWS, start=4))
    assert rows(ingested).index.tolist() == [2, 3, 4, 5]


def test_a_reader_that_numbers_two_rows_alike_has_them_renumbered_and_told():
    ingested = run(chunk(ROWS), chunk(ROWS))
    assert rows(ingested).index.tolist() == [1, 2, 3, 4]
    (finding,) = told(ingested, "rows_renumbered")
    assert finding.severity == "warn"
    assert "rows told of log.csv are not" in finding.message


class OfEachFile(Given):
    """One chunk of each file, named as a test says; notes every file."""

    def __init__(self, named):
        super().__init__()
        self.named = named

    def read(self, files, ctx):
        for file in files:
            ctx.note(Finding("seen", "note", {}, str(file)))
            yield chunk({**ROWS, "Machine": [file.read_text("utf-8")] * 2}, self.named(file))


@pytest.mark.parametrize(
    ("named", "places"),
    [
        (lambda file: file.name, ["a/x.csv", "a/y.csv", "b/x.csv"]),
        (lambda file: f"{file.name}, sheet 1", ["a/x.csv, sheet 1", "a/y.csv, sheet 1", "b/x.csv, sheet 1"]),
        (lambda file: file.stem, ["a/x.csv, x", "a/y.csv, y", "b/x.csv, x"]),
        (lambda file: f"{file.parent.name}/{file.name}", ["a/x.csv", "a/y.csv", "b/x.csv"]),
    ],
)
def test_files_of_one_name_in_two_folders_keep_their_own_places_and_row_numbers(tmp_path, named, places):
    for name in ("a/x.csv", "a/y.csv", "b/x.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(name)
    ingested = ingest([SourceConfig(path="*/*.csv")], {"given": OfEachFile(named)}, tmp_path, 1, [NoOptions()])
    shots = [raw for raw in ingested.raw if raw.table == "shots"]
    assert [raw.place for raw in shots] == places
    for raw in shots:
        assert raw.rows["machine"].to_dict() == dict.fromkeys([2, 3], raw.place.split(", ")[0])
    assert [finding.message for finding in told(ingested, "seen")] == [
        str(tmp_path / name) for name in ("a/x.csv", "a/y.csv", "b/x.csv")
    ]
    assert told(ingested, "rows_renumbered") == []


def test_files_of_one_name_are_read_together_where_the_reader_tells_them_apart(tmp_path):
    for name in ("a/x.csv", "b/x.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(name)
    calls = []

    class Together(OfEachFile):
        def read(self, files, ctx):
            calls.append(len(files))
            yield from super().read(files, ctx)

    reader = Together(lambda file: f"{file.parent.name}/{file.name}")
    ingest([SourceConfig(path="*/*.csv")], {"given": reader}, tmp_path, 1, [NoOptions()])
    assert calls == [2]


@pytest.mark.parametrize("named", [lambda file: file.name, lambda file: f"{file.parent.name}/{file.name}"])
def test_a_file_that_cannot_be_read_is_told_with_its_folder_and_how_to_go_on_without_it(tmp_path, named):
    for name in ("a/x.csv", "b/x.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(name)

    class Torn(OfEachFile):
        def read(self, files, ctx):
            for file in files:
                if file.parent.name == "b":
                    raise ReadError(self.named(file), "it is torn", "copy it again")
                yield chunk(ROWS, self.named(file))

    with pytest.raises(ReadError) as caught:
        ingest([SourceConfig(path="*/*.csv")], {"given": Torn(named)}, tmp_path, 1, [NoOptions()])
    assert caught.value.place == "b/x.csv"
    assert caught.value.do == "copy it again; to go on without it, move it to where */*.csv does not match it"
    with pytest.raises(ReadError) as caught:
        ingest([SourceConfig(path="b/x.csv")], {"given": Torn(named)}, tmp_path, 1, [NoOptions()])
    assert caught.value.do == "copy it again"


def test_two_sources_with_files_of_one_name_are_not_told_that_rows_stand_there_twice(tmp_path):
    for name in ("a/x.csv", "b/x.csv"):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).write_text(name)
    sources = [SourceConfig(path="a/x.csv"), SourceConfig(path="b/x.csv")]
    reader = OfEachFile(lambda file: file.name)
    ingested = ingest(sources, {"given": reader}, tmp_path, 1, [NoOptions()] * 2)
    assert {raw.place for raw in ingested.raw} == {"x.csv", "x.csv (source 2)"}
    assert told(ingested, "place_read_twice") == []


def test_a_place_that_two_sources_read_is_told_and_loses_nothing():
    source = SourceConfig(reader="given")
    ingested = ingest([source, source], {"given": Given(chunk(ROWS))}, Path(), 1, [NoOptions(), NoOptions()])
    assert {raw.place for raw in ingested.raw} == {"log.csv", "log.csv (source 2)"}
    assert told(ingested, "place_read_twice")


def test_two_sources_may_read_two_tables_from_one_place():
    sources = [SourceConfig(reader="given", holds=("shots",)), SourceConfig(reader="given", holds=("scores",))]
    wide = chunk({**ROWS, "shot_id": ["1", "2"]})
    ingested = ingest(sources, {"given": Given(wide)}, Path(), 1, [NoOptions(), NoOptions()])
    assert {(raw.place, raw.table, raw.source) for raw in ingested.raw} == {
        ("log.csv", "shots", 0),
        ("log.csv", "scores", 1),
    }
    assert told(ingested, "place_read_twice") == []


# --- readers and files -----------------------------------------------------------------------------------------------


def test_a_reader_is_picked_by_the_ending_of_the_file(tmp_path):
    (tmp_path / "log.CSV").write_text("x")
    ingested = ingest([SourceConfig(path="log.CSV")], {"given": Given(chunk(ROWS))}, tmp_path, 1, [NoOptions()])
    assert len(ingested.raw) == 2


def test_an_unknown_ending_and_an_unknown_reader_are_refused(tmp_path):
    (tmp_path / "log.doc").write_text("x")
    with pytest.raises(ConfigError, match=r"\.csv"):
        ingest([SourceConfig(path="log.doc")], {"given": Given()}, tmp_path, 1, [NoOptions()])
    with pytest.raises(ConfigError, match='write "given"'):
        ingest([SourceConfig(path="log.doc", reader="givn")], {"given": Given()}, tmp_path, 1, [NoOptions()])


def test_a_path_that_matches_nothing_says_what_is_there(tmp_path):
    (tmp_path / "bench-log.csv").write_text("x")
    with pytest.raises(ReadError, match=r'did you mean "bench-log\.csv"'):
        ingest([SourceConfig(path="benchlog.csv")], {"given": Given()}, tmp_path, 1, [NoOptions()])


def test_a_pattern_takes_files_in_order_and_leaves_lock_files(tmp_path):
    for name in ("log-2.csv", "log-1.csv", "~$log-3.csv"):
        (tmp_path / name).write_text("x")
    seen = []

    class Names(Given):
        def read(self, files, ctx):
            seen.extend(file.name for file in files)
            yield chunk(ROWS)

    ingested = ingest([SourceConfig(path="*.csv")], {"given": Names()}, tmp_path, 1, [NoOptions()])
    assert seen == ["log-1.csv", "log-2.csv"]
    assert told(ingested, "file_skipped")


def test_a_pattern_may_not_leave_its_folder(tmp_path):
    (tmp_path / "inner").mkdir()
    (tmp_path / "log.csv").write_text("x")
    for pattern in ("../*.csv", "../log.cs?", "x/../../*.csv"):
        with pytest.raises(ReadError, match="may not leave"):
            ingest([SourceConfig(path=pattern)], {"given": Given()}, tmp_path / "inner", 1, [NoOptions()])
    whole = SourceConfig(path=str(tmp_path / "*.csv"))
    assert ingest([whole], {"given": Given(chunk(ROWS))}, tmp_path / "inner", 1, [NoOptions()]).raw


def test_every_unreadable_source_is_told_at_once():
    sources = [SourceConfig(reader="one"), SourceConfig(reader="two")]
    readers = {
        "one": Given(error=ReadError("a.csv", "it is empty", "fill it")),
        "two": Given(error=ReadError("b.csv", "it is torn", "mend it")),
    }
    with pytest.raises(TastefieldError) as caught:
        ingest(sources, readers, Path(), 1, [NoOptions(), NoOptions()])
    assert [problem.where for problem in caught.value.problems] == ["a.csv", "b.csv"]
    with pytest.raises(ReadError):
        ingest(sources[:1], readers, Path(), 1, [NoOptions()])


def test_a_reader_that_breaks_down_is_told_with_its_name():
    with pytest.raises(ReadError, match="the reader given failed: KeyError"):
        ingest([SourceConfig(reader="given")], {"given": Given(error=KeyError("x"))}, Path(), 1, [NoOptions()])


def test_a_reader_that_breaks_down_is_told_with_the_line_of_its_own_file():
    class Short(Given):
        def read(self, files, ctx):
            yield chunk({"x": [int("a")]})

    with pytest.raises(ReadError, match=r"ValueError: invalid literal .*, test_ingest\.py line \d+"):
        ingest([SourceConfig(reader="given")], {"given": Short()}, Path(), 1, [NoOptions()])


def test_a_reader_that_names_its_tables_in_a_word_is_told_to_write_a_tuple():
    with pytest.raises(PluginError, match=r'write a tuple, \("shots",\)'):
        run(Chunk(pd.DataFrame(ROWS), "log.csv", holds="shots"))


def test_a_reader_that_yields_something_else_breaks_the_contract():
    with pytest.raises(PluginError, match="does not yield chunks"):
        run(pd.DataFrame(ROWS))


def test_findings_of_the_reader_are_handed_on():
    class Doubtful(Given):
        def read(self, files, ctx):
            ctx.note(Finding("mine", "note", {}, "hm"))
            yield chunk(ROWS)

    ingested = ingest([SourceConfig(reader="given")], {"given": Doubtful()}, Path(), 1, [NoOptions()])
    assert told(ingested, "mine")
