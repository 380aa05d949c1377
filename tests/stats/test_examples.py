"""The examples in the docstrings are true."""

import doctest
import importlib
import pkgutil

import pytest

import tastefield.stats

MODULES = [m.name for m in pkgutil.iter_modules(tastefield.stats.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_the_docstrings_run_and_give_what_they_show(name):
    assert doctest.testmod(importlib.import_module(f"tastefield.stats.{name}")).failed == 0
