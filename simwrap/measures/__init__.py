"""Measures: pure functions of arrays, one file a topic, that never see an engine.

What a measure of your own needs comes from here: :func:`measure` and :class:`Option`; the requests :class:`Op`,
:class:`Ac`, :class:`Noise`, :class:`Steady`, :class:`Transient`, :class:`Poles` and :class:`Step`; :class:`Result` and
:class:`Variable`, made with :func:`scalar` and :func:`axis`; and :func:`port`, :func:`vector`, :func:`between`,
:func:`per_point` and :func:`decibels` to read a stage and its replies. Its picture takes the names of
:mod:`simwrap.plots`.
"""

from __future__ import annotations

from simwrap.measures.common import axis, between, decibels, per_point, port, scalar, vector
from simwrap.measures.options import Option
from simwrap.measures.registry import measure
from simwrap.measures.requests import Ac, Noise, Op, Poles, Result, Steady, Step, Transient, Variable

__all__ = [
    "Ac",
    "Noise",
    "Op",
    "Option",
    "Poles",
    "Result",
    "Steady",
    "Step",
    "Transient",
    "Variable",
    "axis",
    "between",
    "decibels",
    "measure",
    "per_point",
    "port",
    "scalar",
    "vector",
]
