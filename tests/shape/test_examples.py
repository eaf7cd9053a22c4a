"""Examples in docstrings are run: what a reader copies from them works."""

import doctest
import importlib
import pkgutil

import pytest

import interpretation
import reports

MODULES = [
    found.name
    for package in (interpretation, reports)
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    failed, _ = doctest.testmod(importlib.import_module(name), optionflags=flags)
    assert failed == 0


def test_some_examples_are_there():
    examples = [
        example
        for name in MODULES
        for test in doctest.DocTestFinder().find(importlib.import_module(name))
        for example in test.examples
    ]
    assert len(examples) > 20
