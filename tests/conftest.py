"""One BLAS thread in every test; files that hold a slow test start first.

Threads on busy cores make small fits many times slower. Each file runs on one core (``--dist=loadfile``), so that what
its tests share is made once. A property that takes long on a busy core is true all the same: no deadline.
"""

import os

import pytest
from hypothesis import settings
from tests import sparing

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
settings.register_profile("tests", deadline=None)
settings.load_profile("tests")


def pytest_collection_modifyitems(items):
    """Put the slow ones first."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)


@pytest.fixture
def undrawn():
    """Pages that this test writes hold no figures."""
    with sparing.undrawn():
        yield


@pytest.fixture
def without_handover():
    """Runs of this test work out no recipe for a coffee that nobody tasted."""
    with sparing.without_handover():
        yield
