from __future__ import annotations

import subprocess
import sys

import pytest
from measure_fakes import make_stage

from simwrap.errors import UnknownNameError
from simwrap.measures.registry import get_measure, measures


def test_built_in_measures_are_found_with_their_options():
    found = measures()
    assert {"bias", "response", "tone_curves", "headroom"} <= set(found)
    assert get_measure("Response").options["per_decade"].default == 20
    assert "reference_frequency" in get_measure("response").options


@pytest.mark.parametrize("name", sorted(measures()))
def test_every_measure_has_a_summary_and_describes_each_option(name):
    made = get_measure(name)
    assert made.summary
    assert "\n" not in made.summary
    for option in made.options:
        assert option in made.description, f"{name} doesn't describe {option}"


def test_unknown_measure_names_the_nearest():
    with pytest.raises(UnknownNameError, match="did you mean response"):
        get_measure("respons")


def test_unknown_option_names_the_nearest_before_anything_runs():
    with pytest.raises(UnknownNameError, match='response: there is no option "per_decde"; did you mean per_dec'):
        get_measure("response")(make_stage(), per_decde=3)


def test_measures_load_nothing_heavy():
    code = (
        "import sys; from simwrap.measures.registry import measures; measures();"
        "heavy = {'scipy.signal', 'matplotlib', 'xarray', 'pandas', 'PySpice'} & set(sys.modules);"
        "assert not heavy, heavy"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
