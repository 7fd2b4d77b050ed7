"""Design files: a circuit of several stages as a TOML file.

simwrap_design = 1                       # version of this layout
title = "line stage with tone control"
joins = ["line.output -> tone.input"]    # left out: the stages form a chain in their order

[stages.line]
stage = "triode_gain"                    # a template's name, or the file of one of your own
valve = "6SL7GT"
anode_resistor = "220k"

[stages.tone]
stage = "tone_passive"
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from simwrap.circuits.circuit import Circuit, circuit
from simwrap.circuits.header import template_problem
from simwrap.circuits.library import find_template
from simwrap.circuits.stage import Stage, stage
from simwrap.errors import FileProblemsError, InputError, SimwrapError

#: Version of the layout that is read.
VERSION = 1


class DesignFile(BaseModel):
    """What a design file holds."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    simwrap_design: int
    title: str = ""
    stages: Mapping[str, dict[str, Any]] = Field(min_length=1)
    joins: list[str] | None = None
    main_input: str = ""
    main_output: str = ""


def read_design(path: str | Path, *, valve_folders: Iterable[str | Path] = ()) -> Circuit:
    """Read a design file.

    Parameters
    ----------
    path : path
    valve_folders : iterable of path
        Folders with valve files of your own, searched before the library.

    Returns
    -------
    Circuit

    Raises
    ------
    FileProblemsError
        With all problems of the file at once.
    """
    path = Path(path)
    design = _checked(path)
    problems: list[str] = []
    stages: dict[str, Stage] = {}
    for name, entry in design.stages.items():
        made = _stage(path, name, entry, tuple(valve_folders), problems)
        if made is not None:
            stages[name] = made
    if problems:
        raise FileProblemsError(path, problems)
    try:
        return circuit(
            stages,
            joins=design.joins,
            title=design.title or path.stem,
            main_input=design.main_input,
            main_output=design.main_output,
        )
    except InputError as fault:
        raise FileProblemsError(path, [str(fault)]) from None


def _checked(path: Path) -> DesignFile:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise FileProblemsError(path, [f"can't be read ({fault.strerror})"]) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError, ValueError) as fault:
        raise FileProblemsError(path, [f"is not TOML: {fault}"]) from None
    version = table.get("simwrap_design")
    if version != VERSION:
        given = "doesn't say its version" if version is None else f"has version {version!r}"
        raise FileProblemsError(path, [f"{given}; this simwrap reads `simwrap_design = {VERSION}`"])
    try:
        return DesignFile.model_validate(table)
    except ValidationError as faults:
        known = list(DesignFile.model_fields)
        raise FileProblemsError(path, [template_problem(fault, known) for fault in faults.errors()]) from None


def _stage(
    path: Path, name: str, entry: Mapping[str, Any], folders: tuple[str | Path, ...], problems: list[str]
) -> Stage | None:
    """Make one stage, and note whatever is wrong with its values."""
    given = dict(entry)
    template_name = given.pop("stage", None)
    if not isinstance(template_name, str):
        problems.append(f'stages.{name}.stage is missing; give a template such as stage = "triode_gain"')
        return None
    if template_name.endswith(".cir.j2"):
        template_name = str(path.parent / template_name)
    try:
        find_template(template_name)
        base = stage(template_name, valve_folders=folders)
    except SimwrapError as fault:
        problems.append(f"stages.{name}: {fault}")
        return None
    values = {}
    for key, value in _flat(given).items():
        try:
            own, checked = base.check(key, value)
            values[own] = checked
        except SimwrapError as fault:
            problems.append(f"stages.{name}: {fault}")
    try:
        return base.with_values(values)
    except InputError as fault:
        problems.append(f"stages.{name}: {fault}")
        return None


def _flat(entry: Mapping[str, Any], start: str = "") -> dict[str, Any]:
    """Return nested tables by dotted names: TOML reads ``v1.emission = 0.9`` as a table v1."""
    flat: dict[str, Any] = {}
    for key, value in entry.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{start}{key}.")
        else:
            flat[f"{start}{key}"] = value
    return flat
