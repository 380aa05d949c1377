"""The examples in the docstrings are true."""

import doctest
import importlib
import pkgutil

import pytest

import tastefield.tables
import tastefield.words

MODULES = [
    f"{package.__name__}.{module.name}"
    for package in (tastefield.tables, tastefield.words)
    for module in pkgutil.iter_modules(package.__path__)
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_the_docstrings_run_and_give_what_they_show(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0
