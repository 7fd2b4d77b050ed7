"""Commands for the bench: ``guard``, ``readings`` and ``match``.

``guard --prove`` and ``readings`` exit with 1 where something isn't as it should be: a fault that the guard didn't
tell, a reading outside its window. 2 is bad input, 3 a simulator that failed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli.app import Engine, Force, Json, Stages, Valves, _folders, app
from simwrap.cli.output import PICTURES, check_file, print_table, say, write_figure, write_text
from simwrap.errors import EXIT_NOT_MET, InputError
from simwrap.units import quantity

DesignFile = Annotated[Path, typer.Argument(metavar="DESIGN", help="A design file; `simwrap new FILE` writes one.")]


def _tell(command: str) -> Any:
    return lambda words: print(f"{command}: {words}", file=sys.stderr)


def _read(design: Path, valves: list[Path] | None) -> Any:
    from simwrap.circuits.design_file import read_whole_design

    return read_whole_design(design, valve_folders=_folders(valves), complete=True)


def _varied(emission: str, mu: str, resistors: str) -> Any:
    from simwrap.faults.bed import Varied

    return Varied(emission=emission, mu=mu, resistors=resistors)


Emission = Annotated[str, typer.Option("--emission", metavar="TOLERANCE", help="Spread of the valves' emission.")]
Mu = Annotated[str, typer.Option("--mu", metavar="TOLERANCE", help="Spread of their amplification factor.")]
Resistors = Annotated[str, typer.Option("--resistors", metavar="TOLERANCE", help="Tolerance of every resistor.")]


@app.command()
def guard(
    design: DesignFile,
    header: Annotated[Path | None, typer.Option("--header", metavar="FILE.h", help="Write the C99 header.")] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE.json", help="Write all as JSON.")
    ] = None,
    sense: Annotated[
        str, typer.Option("--sense", metavar="OHM", help="Sense resistor, where the design has none.")
    ] = "10",
    bits: Annotated[int, typer.Option("--bits", help="Resolution of the converter.")] = 12,
    reference: Annotated[str, typer.Option("--reference", metavar="V", help="Its reference.")] = "3.3",
    gain: Annotated[
        float, typer.Option("--gain", help="From sense resistor to pin: below 1 a divider, above 1 an amplifier.")
    ] = 1.0,
    filter_resistor: Annotated[str, typer.Option("--filter-resistor", metavar="OHM")] = "10k",
    filter_capacitor: Annotated[str, typer.Option("--filter-capacitor", metavar="F")] = "4u7",
    rate: Annotated[int, typer.Option("--rate", help="Samples a second of each pin.")] = 250,
    warming: Annotated[str, typer.Option("--warming", metavar="S", help="First current to all levels.")] = "30",
    builds: Annotated[int, typer.Option("--builds", help="Healthy builds that are drawn.")] = 200,
    emission: Emission = "20 %",
    mu: Mu = "5 %",
    resistors: Resistors = "5 %",
    prove: Annotated[bool, typer.Option("--prove", help="Simulate starts, faults and programme (minutes).")] = False,
    force: Force = False,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """Levels for a microcontroller that watches the output valves' cathode currents, as JSON and as a C99 header."""
    from simwrap.cathode_guard import paper
    from simwrap.cathode_guard.guard import Converter
    from simwrap.cathode_guard.guard import guard as compute

    _check_guard_files(header, output, force)
    way = Converter(
        sense=quantity.parse(sense, "ohm", parameter="--sense"), bits=bits,
        reference=quantity.parse(reference, "V", parameter="--reference"), gain=gain,
        resistance=quantity.parse(filter_resistor, "ohm", parameter="--filter-resistor"),
        capacitance=quantity.parse(filter_capacitor, "F", parameter="--filter-capacitor"), rate=rate,
        warming=quantity.parse(warming, "s", parameter="--warming"),
    )  # fmt: skip
    found = compute(_read(design, valves), way, varied=_varied(emission, mu, resistors), builds=builds, engine=engine,
                    progress=_tell("guard"))  # fmt: skip
    told = paper.to_dict(found)
    if header is not None:
        write_text(header, paper.header(found), force=force)
    good = True
    if prove:
        from simwrap.cathode_guard import proof

        proved = proof.prove(found, builds=builds, engine=engine, tell=_tell("guard"))
        told["proof"], good = proof.as_dict(proved), proved.good
    if output is not None:
        write_text(output, json.dumps(told, indent=2) + "\n", force=force)
    if as_json:
        print(json.dumps(told))
    else:
        print("\n".join([*paper.page(found), *told.get("proof", {}).get("words", [])]))
    if not good:
        raise typer.Exit(EXIT_NOT_MET)


def _check_guard_files(header: Path | None, output: Path | None, force: bool) -> None:
    check_file("--header", header, force=force)
    check_file("--output", output, force=force)
    if header is not None and header == output:
        raise InputError(f"--header and --output both name {header}; give another name")


@app.command()
def readings(
    design: DesignFile,
    file: Annotated[
        Path, typer.Argument(metavar="FILE.csv", help="Columns point, value; and unit, frequency, level where needed.")
    ],
    response: Annotated[
        bool, typer.Option("--response", help="FILE is a frequency response: columns frequency, level (dB or volts).")
    ] = False,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="With --response: writes its picture there.")
    ] = None,
    emission: Emission = "20 %",
    mu: Mu = "10 %",
    resistors: Resistors = "5 %",
    force: Force = False,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """Hold measured voltages and currents against their windows, and rank what may be the matter.

    Exit code 0: all as in a healthy build; 1: something isn't; 2: the file or the design can't be read.
    """
    from simwrap.fault_finding import measured_response
    from simwrap.fault_finding import readings as room

    made, varied = _read(design, valves), _varied(emission, mu, resistors)
    found: Any
    check_file("--plot", plot, PICTURES, force=force)
    if plot is not None and not response:
        raise InputError("--plot: readings has a picture of a frequency response only; give --response with it")
    if response:
        found = measured_response.overlay(made, file, varied=varied, engine=engine, progress=_tell("readings"))
        lines, clean = measured_response.page(found), found.diagnosis.healthy
        if plot is not None:
            write_figure(found.plot(), plot, force=force)
    else:
        found = room.read(made, file, varied=varied, engine=engine, progress=_tell("readings"))
        lines, clean = room.page(found), found.clean
    print(json.dumps(found.to_dict()) if as_json else "\n".join(lines))
    if not clean:
        raise typer.Exit(EXIT_NOT_MET)


@app.command()
def match(
    design: DesignFile,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="VALVES.csv", help="Columns name, anode_voltage, grid_voltage, anode_current, screen_voltage."
        ),
    ],
    stage: Annotated[str, typer.Option("--stage", metavar="NAME", help="The stage whose sockets are filled.")] = "",
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """Choose pairs or quads from a list of measured valves, by their currents and slopes in the design."""
    from simwrap.fault_finding.measured_valves import match as choose
    from simwrap.fault_finding.measured_valves import to_dict

    measured, sets = choose(_read(design, valves), file, stage=stage, engine=engine)
    if as_json:
        print(json.dumps(to_dict(measured, sets)))
        return
    print_table("valves as measured, against the published type", ["valve", "emission", "mu", "readings"],
           [(m.name, f"{m.emission:.3f}", f"{m.mu:.3f}", str(m.readings)) for m in measured])  # fmt: skip
    quads = any(len(made.names) > 2 for made in sets)
    doubtful = any(made.doubt > made.imbalance for made in sets)
    columns = {
        "valves": [", ".join(made.names) for made in sets],
        "cathode currents": [_listed(made.currents, "A") for made in sets],
        "halves apart": [quantity.render(made.imbalance, "A", digits=2) for made in sets],
        "perhaps": [quantity.render(made.doubt, "A", digits=2) for made in sets] if doubtful else [],
        "within a half": [quantity.render(made.within, "A", digits=2) for made in sets] if quads else [],
        "slopes": [_listed(made.slopes, "S") for made in sets],
    }
    shown = {head: cells for head, cells in columns.items() if cells}
    print_table("sets, the most alike first", list(shown), list(zip(*shown.values(), strict=True)))
    single = [m.name for m in measured if m.ends]
    if single:
        say(
            f"Caution: one reading of {', '.join(single)} tells nothing of mu, which is taken for the type's; with mus "
            'that are 10 % off to either side (common practice, no source) halves are as far apart as "perhaps" says. '
            "Measure at a second grid voltage."
        )


def _listed(values: Any, unit: str) -> str:
    return ", ".join(quantity.render(value, unit, digits=3) for value in values)
