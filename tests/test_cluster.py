"""The same run on a cluster of worker processes; needs the extra: pip install 'tastefield[cluster]'."""

import os
import warnings
from pathlib import Path

import pytest

from tastefield import workflow
from tastefield.errors import ConfigError

ROOT = Path(__file__).resolve().parent.parent

try:
    from distributed import LocalCluster
except ImportError:
    if "cluster" in os.environ.get("TASTEFIELD_REQUIRE", ""):
        raise
    pytest.skip("needs the cluster extra: pip install 'tastefield[cluster]'", allow_module_level=True)

pytestmark = pytest.mark.filterwarnings("ignore")  # of the cluster's own libraries


def test_a_cluster_gives_the_same_bytes_as_this_machine(tmp_path):
    """Numbers, which the workers send back, and cards, which they write themselves."""
    panel, source = ROOT / "configs" / "panel.toml", tmp_path / "panel.toml"
    written = panel.read_text("utf-8").replace('path = "', f'path = "{panel.parent}/')
    source.write_text(f'{written}\n[[report]]\nwriter = "data"\n[[report]]\nwriter = "card"\n', "utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
            workflow.run(source, tmp_path / "far", cluster=cluster.scheduler_address)
    workflow.run(source, tmp_path / "here")
    cards = sorted(f"cards/{file.name}" for file in (tmp_path / "here" / "cards").iterdir())
    assert len(cards) > 30
    for name in ("lattice.parquet", "tables/terms.csv", "tables/fit.csv", *cards):
        assert (tmp_path / "far" / name).read_bytes() == (tmp_path / "here" / name).read_bytes()


def test_a_cluster_that_does_not_answer_is_told_with_what_to_do(tmp_path):
    with pytest.raises(ConfigError, match="no cluster answers"):
        workflow.run(ROOT / "configs" / "panel.toml", tmp_path / "out", cluster="tcp://127.0.0.1:1")
    assert not (tmp_path / "out").exists()
