"""Every public function shows in its docstring what to write, and what comes of it; the examples run."""

from __future__ import annotations

import doctest
import inspect

import matplotlib.pyplot as plt
import pytest

import simwrap

#: Public functions; pictures that need a notebook show themselves in its lessons.
FUNCTIONS = [name for name in simwrap.__all__ if inspect.isfunction(getattr(simwrap, name)) and name != "sliders"]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_example_of_a_public_function_runs(name: str) -> None:
    function = getattr(simwrap, name)
    found = doctest.DocTestFinder(recurse=False).find(function, name, globs={})
    examples = [example for test in found for example in test.examples]
    assert examples, f"simwrap.{name} has no example"
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    said: list[str] = []
    for test in found:
        runner.run(test, out=said.append)
    plt.close("all")
    assert runner.summarize(verbose=False).failed == 0, "".join(said)
