"""The examples in the docstrings hold."""

import doctest
import importlib
import pkgutil

import pytest

import pipeline.survey

MODULES = sorted(entry.name for entry in pkgutil.iter_modules(pipeline.survey.__path__))


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(f"pipeline.survey.{name}")).failed == 0


def test_there_are_examples():
    found = sum(doctest.testmod(importlib.import_module(f"pipeline.survey.{name}")).attempted for name in MODULES)
    assert found >= 10
