"""Commands for the bench: ``guard``, ``readings``, ``match``, ``swept-sine`` and ``recording``.

``guard --prove`` and ``readings`` exit with 1 where something isn't as it should be: a fault that the guard didn't
tell, a reading outside its window. 2 is bad input, 3 a simulator that failed.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simwrap.cli.app import app
from simwrap.cli.options import AmplifierFile, Force, Json, PaperOf, PlotFile, Running, together
from simwrap.cli.output import PICTURES, check_file, print_table, say, write_figure, write_text
from simwrap.errors import EXIT_NOT_MET, InputError
from simwrap.units import quantity

if TYPE_CHECKING:
    from simwrap.cathode_guard.guard import Converter
    from simwrap.fault_finding.recording import SweptSine
    from simwrap.faults.bed import Varied


def _tell(command: str) -> Any:
    return lambda words: print(f"{command}: {words}", file=sys.stderr)


Emission = Annotated[str, typer.Option("--emission", metavar="TOLERANCE", help="Spread of the valves' emission.")]
Mu = Annotated[str, typer.Option("--mu", metavar="TOLERANCE", help="Spread of their amplification factor.")]
Resistors = Annotated[str, typer.Option("--resistors", metavar="TOLERANCE", help="Tolerance of every resistor.")]


@dataclass(frozen=True)
class Spread:
    """How far parts are spread from build to build."""

    emission: Emission = "20 %"
    mu: Mu = "5 %"
    resistors: Resistors = "5 %"

    def varied(self) -> Varied:
        """Return it as an object."""
        from simwrap.faults.bed import Varied

        return Varied(emission=self.emission, mu=self.mu, resistors=self.resistors)


@dataclass(frozen=True)
class ReadingSpread(Spread):
    """The same for readings: of a single build's valves less is known."""

    mu: Mu = "10 %"


@dataclass(frozen=True)
class GuardBuilds(Spread):
    """How many healthy builds, too."""

    builds: Annotated[int, typer.Option("--builds", help="Healthy builds that are drawn.")] = 200


@dataclass(frozen=True)
class ConverterPins:
    """What reads the sense resistors."""

    sense: Annotated[str, typer.Option("--sense", metavar="OHM", help="Sense resistor, where the design has none.")] = (
        "10"
    )
    bits: Annotated[int, typer.Option("--bits", help="Resolution of the converter.")] = 12
    reference: Annotated[str, typer.Option("--reference", metavar="V", help="Its reference.")] = "3.3"
    gain: Annotated[
        float, typer.Option("--gain", help="From sense resistor to pin: below 1 a divider, above 1 an amplifier.")
    ] = 1.0
    filter_resistor: Annotated[str, typer.Option("--filter-resistor", metavar="OHM")] = "10k"
    filter_capacitor: Annotated[str, typer.Option("--filter-capacitor", metavar="F")] = "4u7"
    rate: Annotated[int, typer.Option("--rate", help="Samples a second of each pin.")] = 250
    supply_share: Annotated[
        float, typer.Option("--supply-share", help="Divider from the anode supply to a pin of its own; 0: none.")
    ] = 0.0
    warming: Annotated[str, typer.Option("--warming", metavar="S", help="First current to all levels.")] = "30"

    def converter(self) -> Converter:
        """Return it as an object, in SI units."""
        from simwrap.cathode_guard.guard import Converter

        return Converter(
            sense=quantity.parse(self.sense, "ohm", parameter="--sense"), bits=self.bits,
            reference=quantity.parse(self.reference, "V", parameter="--reference"), gain=self.gain,
            resistance=quantity.parse(self.filter_resistor, "ohm", parameter="--filter-resistor"),
            capacitance=quantity.parse(self.filter_capacitor, "F", parameter="--filter-capacitor"), rate=self.rate,
            supply_share=self.supply_share, warming=quantity.parse(self.warming, "s", parameter="--warming"),
        )  # fmt: skip


@dataclass(frozen=True)
class GuardFiles:
    """Where the guard's levels are written."""

    header: Annotated[Path | None, typer.Option("--header", metavar="FILE.h", help="Write the C99 header.")] = None
    output: Annotated[Path | None, typer.Option("-o", "--output", metavar="FILE.json", help="Write all as JSON.")] = (
        None
    )
    force: Force = False

    def check(self) -> None:
        """Refuse files that can't be written before anything is simulated."""
        check_file("--header", self.header, force=self.force)
        check_file("--output", self.output, force=self.force)
        if self.header is not None and self.header == self.output:
            raise InputError(f"--header and --output both name {self.header}; give another name")


@app.command()
@together
def guard(
    amplifier: PaperOf,
    running: Running,
    pins: ConverterPins,
    builds: GuardBuilds,
    files: GuardFiles,
    prove: Annotated[bool, typer.Option("--prove", help="Simulate starts, faults and programme (minutes).")] = False,
    as_json: Json = False,
) -> None:
    """Levels for a microcontroller that watches the output valves' cathode currents, as JSON and as a C99 header."""
    from simwrap import doors

    files.check()
    found = doors.guard(amplifier.amplifier("guard", running), pins.converter(), varied=builds.varied(),
                        builds=builds.builds, despite_findings=amplifier.despite_findings)  # fmt: skip
    told = found.to_dict()
    if files.header is not None:
        write_text(files.header, found.header, force=files.force)
    good = True
    if prove:
        from simwrap.cathode_guard import proof

        proved = proof.prove(found.guard, builds=builds.builds, run=running.how(), tell=_tell("guard"))
        told["proof"], good = proof.as_dict(proved), proved.good
    if files.output is not None:
        write_text(files.output, json.dumps(told, indent=2) + "\n", force=files.force)
    if as_json:
        print(json.dumps(told))
    else:
        print("\n".join([*found.page(), *told.get("proof", {}).get("words", [])]))
    if not good:
        raise typer.Exit(EXIT_NOT_MET)


@app.command()
@together
def readings(
    amplifier: PaperOf,
    running: Running,
    file: Annotated[
        Path, typer.Argument(metavar="FILE.csv", help="Columns point, value; and unit, frequency, level where needed.")
    ],
    spread: ReadingSpread,
    response: Annotated[
        bool, typer.Option("--response", help="FILE is a frequency response: columns frequency, level (dB or volts).")
    ] = False,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE", help="Writes a picture of the readings there, or of the response."),
    ] = None,
    force: Force = False,
    as_json: Json = False,
) -> None:
    """Hold measured voltages and currents against their windows, and rank what may be the matter.

    Exit code 0: all as in a healthy build; 1: something isn't; 2: the file or the design can't be read.
    """
    from simwrap import doors
    from simwrap.amplifier.papers import refuse
    from simwrap.fault_finding import measured_response
    from simwrap.fault_finding.readings_file import read_readings

    check_file("--plot", plot, PICTURES, force=force)
    varied, despite = spread.varied(), amplifier.despite_findings
    found: Any
    if not response:
        read_readings(file)  # what can't be read is refused before anything is simulated
    made = amplifier.amplifier("readings", running, quick=True)
    if response:
        refuse(made, "a judgement of a response", despite)
        found = measured_response.overlay(made, file, varied=varied)
        clean = found.diagnosis.healthy
    else:
        found = doors.fault_finder(made, varied=varied, despite_findings=despite).read(file)
        clean = found.clean
    if plot is not None:
        write_figure(found.plot(), plot, force=force)
    print(json.dumps(found.to_dict()) if as_json else "\n".join(found.page()))
    if not clean:
        raise typer.Exit(EXIT_NOT_MET)


@dataclass(frozen=True)
class Played:
    """A swept sine, as it was played."""

    start: Annotated[str, typer.Option("--from", metavar="FREQUENCY", help="Where it begins.")] = "20 Hz"
    stop: Annotated[str, typer.Option("--to", metavar="FREQUENCY", help="Where it ends.")] = "20 kHz"
    seconds: Annotated[str, typer.Option("--seconds", metavar="TIME", help="How long it lasts.")] = "10 s"

    def sweep(self) -> SweptSine:
        """Return it as an object."""
        from simwrap.fault_finding.recording import SweptSine

        return SweptSine(self.start, self.stop, self.seconds)  # type: ignore[arg-type]  # read there


@dataclass(frozen=True)
class Heard:
    """What a recording is of, and how large."""

    tone: Annotated[
        str, typer.Option("--tone", metavar="FREQUENCY", help="In place of the sweep a steady tone of about this one.")
    ] = ""
    full_scale: Annotated[
        str, typer.Option("--full-scale", metavar="VOLTAGE", help="Peak at the amplifier that fills the converter.")
    ] = ""
    channel: Annotated[int, typer.Option("--channel", metavar="NUMBER", help="1 is the first, or left.")] = 1


WavFile = Annotated[Path, typer.Argument(metavar="FILE.wav")]


@app.command()
@together
def swept_sine(
    file: WavFile,
    played: Played,
    rate: Annotated[int, typer.Option("--rate", metavar="NUMBER", help="Samples a second.")] = 48000,
    force: Force = False,
) -> None:
    """Write a swept sine to play through an amplifier: its recording gives response and distortion.

    Begin with the volume down, and with a dummy load: half of full scale is loud.
    """
    from simwrap.fault_finding.recording import write_sweep

    say(f"written: {write_sweep(file, played.sweep(), rate=rate, replace=force)}")


@app.command()
@together
def recording(
    file: WavFile,
    played: Played,
    heard: Heard,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Writes the response for `readings --response` (.csv)."),
    ] = None,
    plot: PlotFile = None,
    force: Force = False,
    as_json: Json = False,
) -> None:
    """Say what a sound card has recorded of a swept sine or a tone: levels and harmonics.

    A loudspeaker output may stand at the supply's voltage or have no side on ground: use a divider and an isolating
    transformer, never a bare wire into a sound card.
    """
    from simwrap.fault_finding import recording as recordings

    check_file("--plot", plot, PICTURES, force=force)
    check_file("--output", output, (".csv",), force=force)
    found = recordings.recording(
        file, played.sweep(), tone=heard.tone or None, full_scale=heard.full_scale or None, channel=heard.channel
    )
    if output is not None:
        found.write(output, replace=force)
    if plot is not None:
        write_figure(found.plot(), plot, force=force)
    print(found.to_json() if as_json else "\n".join(found.page()))


@app.command()
@together
def match(
    amplifier: AmplifierFile,
    running: Running,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="VALVES.csv", help="Columns name, anode_voltage, grid_voltage, anode_current, screen_voltage."
        ),
    ],
    stage: Annotated[str, typer.Option("--stage", metavar="NAME", help="The stage whose sockets are filled.")] = "",
    as_json: Json = False,
) -> None:
    """Choose pairs or quads from a list of measured valves, by their currents and slopes in the design."""
    from simwrap import doors

    found = doors.match(amplifier.amplifier("match", running), file, stage=stage)
    measured, sets = found.measured, found.sets
    if as_json:
        print(json.dumps(found.to_dict()))
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
