"""A package of somebody else: really built, really installed, found by its entry point, and its data really read."""

from __future__ import annotations

import importlib.util
import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from tastefield.errors import ReadError, TastefieldError
from tastefield.summary import check_lines
from tastefield.testing import ReaderContract, ReaderSample
from tastefield.workflow import analyse, check

GUEST = Path(__file__).parent / "guest" / "notebook"
BINARY = Path(__file__).parent / "guest" / "binary"
NOTEBOOK = (
    "Machine: A\nCoffee: house\nIn: 18\nOut: 36\nTime: 27s\nTaste: serve\n\nMachine: A\nCoffee: house\nIn: 18\nOut: 44"
)


class TestNotebook(ReaderContract):
    plugin = GUEST / "tastefield_guest_notebook.py"
    sample = ReaderSample({"log.notebook": NOTEBOOK}, 2, ("Machine", "Coffee", "In", "Out", "Time", "Taste"))


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    if importlib.util.find_spec("hatchling") is None:
        if "build" in os.environ.get("TASTEFIELD_REQUIRE", "").split(","):
            pytest.fail("hatchling is missing: pip install hatchling")
        pytest.skip("needs the build backend: pip install hatchling")
    folder = tmp_path_factory.mktemp("guest")
    shutil.copytree(GUEST, folder / "source")
    target = folder / "installed"
    options = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check"]
    command = [sys.executable, "-m", "pip", "install", *options, "--target", str(target), str(folder / "source")]
    subprocess.run(command, check=True)
    return target


def tastefield(installed: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    path = os.pathsep.join([str(installed), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    command = [sys.executable, "-c", "from tastefield.cli import main; main()", *arguments]
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        cwd=installed.parent,
        env={**os.environ, "PYTHONPATH": path},
    )


def test_an_installed_guest_is_listed_with_its_package(installed):
    listed = tastefield(installed, "plugins")
    assert listed.returncode == 0, listed.stderr
    assert "reader notebook: One paragraph a shot. (plugin read_notebook of package tastefield-guest-notebook)" in (
        listed.stdout
    )


def test_an_installed_guest_reads_data_like_any_built_in(installed):
    (installed.parent / "march.notebook").write_text(NOTEBOOK)
    (installed.parent / "bench.toml").write_text(
        '[[source]]\npath = "march.notebook"\n[source.columns]\nmachine = "Machine"\ncoffee = "Coffee"\n'
        'dose_g = "In"\nbeverage_g = "Out"\nshot_time_s = "Time"\nscore = "Taste"\n'
    )
    checked = tastefield(installed, "check", "bench.toml")
    assert checked.returncode == 0, checked.stderr
    assert "march.notebook, shots: 2 rows read" in checked.stdout
    assert "march.notebook, scores: 1 row read, 1 kept, 0 set aside" in checked.stdout


def test_the_keys_of_an_installed_guest_are_validated_by_its_own_options(installed):
    (installed.parent / "march.notebook").write_text(NOTEBOOK)
    (installed.parent / "wrong.toml").write_text('[[source]]\npath = "march.notebook"\nmarc = "="\n')
    refused = tastefield(installed, "check", "wrong.toml")
    assert refused.returncode == 2
    assert 'there is no key "marc"' in refused.stderr
    assert 'write "mark"' in refused.stderr


def test_a_reader_for_a_binary_format_takes_at_most_forty_lines():
    assert len((BINARY / "read_puck.py").read_text("utf-8").splitlines()) <= 40


def test_a_reader_for_a_binary_format_reads_into_the_same_tables(tmp_path):
    shutil.copy(BINARY / "read_puck.py", tmp_path)
    shots = b"".join(struct.pack("<8sHHB", name, 180, out, 27) for name, out in ((b"A", 361), (b"A", 0), (b"B", 400)))
    (tmp_path / "march.puck").write_bytes(struct.pack("<4sBH", b"PUCK", 1, 3) + shots)
    (tmp_path / "bench.toml").write_text('plugins = ["read_puck.py"]\n[[source]]\npath = "march.puck"\n')
    records = check(tmp_path / "bench.toml")
    assert records.tables["shots"]["dose_g"].tolist() == [18.0, 18.0, 18.0]
    assert records.tables["shots"]["beverage_g"].dropna().tolist() == [36.1, 40.0]
    assert records.set_aside[["row", "column"]].to_numpy().tolist() == [[2, "beverage_g"]]


@pytest.mark.parametrize("cut", [0, 3, 7, 20])
def test_a_binary_file_that_is_cut_short_is_refused_not_read_in_part(tmp_path, cut):
    shutil.copy(BINARY / "read_puck.py", tmp_path)
    whole = struct.pack("<4sBH", b"PUCK", 1, 2) + 2 * struct.pack("<8sHHB", b"A", 180, 361, 27)
    (tmp_path / "march.puck").write_bytes(whole[:cut])
    (tmp_path / "bench.toml").write_text('plugins = ["read_puck.py"]\n[[source]]\npath = "march.puck"\n')
    with pytest.raises(ReadError, match=r"march\.puck"):
        check(tmp_path / "bench.toml")


def puck(folder, *files):
    """A configuration that reads made-up files by reader puck."""
    shutil.copy(BINARY / "read_puck.py", folder)
    for name, shots in files:
        (folder / name).parent.mkdir(exist_ok=True)
        head = struct.pack("<4sBH", b"PUCK", 1, len(shots))
        (folder / name).write_bytes(head + b"".join(struct.pack("<8sHHB", *shot) for shot in shots))
    (folder / "bench.toml").write_text('plugins = ["read_puck.py"]\n[[source]]\npath = "*/*.puck"\n')
    return folder / "bench.toml"


def test_files_of_one_name_in_two_folders_send_people_to_rows_that_are_there(tmp_path):
    source = puck(tmp_path, ("a/march.puck", [(b"A", 180, 361, 27)]), ("b/march.puck", [(b"B", 0, 400, 27)]))
    records = check(source)
    assert records.set_aside[["place", "row"]].to_numpy().tolist() == [["b/march.puck", 1]]
    assert records.tables["shots"]["shot_id"].tolist() == ["a/march.puck#1"]


def test_a_binary_file_without_records_is_not_to_be_written_into(tmp_path):
    source = puck(tmp_path, ("a/march.puck", []))
    assert check_lines(check(source))[-1] == "There is no record in march.puck: give files that hold shots."
    with pytest.raises(TastefieldError, match="give files that hold shots"):
        analyse(source)


def test_a_reader_that_gives_our_own_names_has_no_headings_to_check_nor_to_paste(tmp_path):
    source = puck(tmp_path, ("a/march.puck", [(b"A", 180, 361, 27)]))
    reader = tmp_path / "read_puck.py"
    ours = reader.read_text("utf-8").replace(
        '"dose (g)", "out (g)", "time (s)"', '"dose_g", "beverage_g", "shot_time_ms"'
    )
    reader.write_text(ours, "utf-8")
    lines = "\n".join(check_lines(check(source)))
    assert "shot_time_ms is in ms" in lines
    assert "list of common ones" not in lines
    assert "[source.columns]" not in lines
