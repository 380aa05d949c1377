"""One BLAS thread in every test; tests dealt out so that nothing costly is made twice and the longest start first.

Threads on busy cores make small fits many times slower.
"""

import os

import pytest

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def made_once(item):
    """Whether a test uses something that its file makes once for all its tests."""
    made = item._fixtureinfo.name2fixturedefs.values()
    return any(
        one[-1].scope in ("module", "session") and one[-1].baseid in item.nodeid for one in made if one[-1].baseid
    )


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Keep tests that share a fixture of their file on one core (``--dist loadgroup``), and put the slow ones first."""
    for item in items:
        if isinstance(item, pytest.Function) and made_once(item):
            item.add_marker(pytest.mark.xdist_group(item.module.__name__))
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
