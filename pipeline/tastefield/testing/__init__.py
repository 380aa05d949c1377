"""The conformance kit: one contract class for each kind of plugin; guests derive from it, built-ins pass it too.

    from tastefield.testing import ReaderContract, ReaderSample

    class TestMine(ReaderContract):
        plugin = Mine()
        sample = ReaderSample(files={"log.txt": "In|Out\\n18|36\\n"}, rows=1, headings=("In", "Out"))

pytest then runs one test a check, the check's name its id; ``tastefield plugins --test FILE`` runs the same list.
"""

from tastefield.testing.contract import Breach, Contract, outcomes
from tastefield.testing.readers import ReaderContract, ReaderSample
from tastefield.testing.report import report
from tastefield.testing.samples import empty_run, empty_setup, sample_run, sample_setups
from tastefield.testing.surfaces import SurfaceContract
from tastefield.testing.writers import WriterContract

__all__ = [
    "Breach",
    "Contract",
    "ReaderContract",
    "ReaderSample",
    "SurfaceContract",
    "WriterContract",
    "empty_run",
    "empty_setup",
    "outcomes",
    "report",
    "sample_run",
    "sample_setups",
]
