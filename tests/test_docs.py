import importlib.util
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
spec = importlib.util.spec_from_file_location("docs", ROOT / "tests" / "docs.py")
docs = importlib.util.module_from_spec(spec)
spec.loader.exec_module(docs)


@pytest.mark.parametrize("name", docs.DOCUMENTS)
def test_every_generated_block_is_fresh(name):
    text = (ROOT / name).read_text("utf-8")
    assert docs.rewritten(text) == text, "stale: run python -m tests.docs"


def test_the_readme_has_the_column_table():
    assert "<!-- generated: columns -->" in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", docs.DOCUMENTS)
def test_every_file_a_document_names_exists(name):
    text = (ROOT / name).read_text("utf-8")
    named = re.findall(r"`((?:pipeline|plugins|configs|tests|\.ci)/[A-Za-z0-9_./-]+)`", text)
    named += re.findall(r"\]\(((?!https?:|#)[^)]+)\)", text)
    missing = [path for path in named if not (ROOT / path).exists()]
    assert not missing


def test_nothing_but_the_agreed_stands_at_the_top():
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "pipeline",
        "plugins",
        "configs",
        "tests",
        "reports",
        "LICENSE",
    }
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout: git ls-files has nothing to list")
    top = {path.split("/")[0] for path in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= agreed
