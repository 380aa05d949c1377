"""The examples in the docstrings are true."""

import doctest
import importlib
import pkgutil

import pytest

import tastefield.stats

MODULES = [m.name for m in pkgutil.iter_modules(tastefield.stats.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_the_docstrings_run_and_give_what_they_show(name):
    result = doctest.testmod(importlib.import_module(f"tastefield.stats.{name}"))
    assert result.attempted > 0
    assert result.failed == 0
