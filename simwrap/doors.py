"""The public functions for a whole amplifier: each takes a design file, a design, a circuit or a stage."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from simwrap._paths import as_path, example_design
from simwrap.amplifier.amplifier import Amplifier, as_amplifier
from simwrap.amplifier.audit import Audit, audit
from simwrap.amplifier.judge import AuditJudge
from simwrap.amplifier.papers import DESPITE, findings, refuse
from simwrap.build_sheet.sheet import sheet
from simwrap.cathode_guard import paper
from simwrap.cathode_guard.guard import Converter, Guard
from simwrap.cathode_guard.guard import guard as computed
from simwrap.circuits.design_file import Design
from simwrap.design.choice import Choice
from simwrap.design.choose import choose as search
from simwrap.engine import Run, RunKeywords, spelled_out
from simwrap.errors import RangeError
from simwrap.fault_finding.measured_valves import Matched, Measured, to_dict
from simwrap.fault_finding.measured_valves import match as chosen
from simwrap.fault_finding.readings import FaultFinder
from simwrap.files import write_text
from simwrap.findings.finding import Finding
from simwrap.report.bars import bars
from simwrap.report.model import Listing, Section
from simwrap.report.shown import Shown, labelled
from simwrap.units.quantity import render

if TYPE_CHECKING:
    import xarray

    from simwrap.cathode_guard.levels import Level


def new(file: str | Path, *, replace: bool = False) -> Path:
    """Write a commented design file to start from: a whole amplifier of invented values, the reading room's.

    Parameters
    ----------
    file : path
        Such as "amplifier.toml".
    replace : bool
        Whether a file that is there is written over.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If it doesn't end in .toml, or is there already.

    Examples
    --------
    >>> import pathlib, simwrap, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     list(simwrap.read_design(simwrap.new(pathlib.Path(folder, "amplifier.toml"))).stages)[:3]
    ['selector', 'line', 'tone']
    """
    path = as_path(file, "a design file")
    if path.suffix != ".toml":
        raise RangeError("new", str(path), "a file that ends in .toml")
    write_text(path, example_design(), replace=replace)
    return path


def check(design: Any, **how: Any) -> Audit:
    """Audit an amplifier: what is over a rating, whether it stays stable, what it does, what hums.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    **how
        ``quick`` (large signals are left out), ``fresh`` (what was kept of an earlier run is ignored), ``progress``
        (told what is being done), ``valve_folders``; and how it is run: ``engine``, ``time_limit`` (of one point [s]),
        ``workers``, ``executor``, or a whole :class:`Run` as ``run``.

    Returns
    -------
    Audit
        ``findings`` (each with severity, code, subject, value, limit), ``sections``, ``not_checked``, ``clean``.

    Raises
    ------
    FileProblemsError
        With all that is wrong with a file.
    EngineError
        If there is no operating point.

    Examples
    --------
    >>> import simwrap
    >>> found = simwrap.check(simwrap.stage("triode_gain", valve="12AU7", grid_leak="10M"), quick=True)
    >>> found.clean, [finding.code for finding in found.findings if finding.severity.beyond]
    (False, ['over_rating'])
    """
    amplifier = as_amplifier(design, **how)
    found = audit(amplifier)
    amplifier.save()
    return found


@dataclass(frozen=True, repr=False)
class GuardPaper(Shown):
    """The guard of an amplifier's output valves, and what the audit finds.

    Attributes
    ----------
    guard : Guard
        Levels, windows, and what no cathode current tells.
    findings : tuple of Finding
    """

    guard: Guard
    findings: tuple[Finding, ...]

    @property
    def despite(self) -> bool:
        """Whether it is of what must not be built."""
        return any(finding.must_not_be_built for finding in self.findings)

    @property
    def not_seen(self) -> list[str]:
        """What no cathode current tells, a line each, as page, header and JSON have it; a build sheet takes it."""
        return paper.unseen_words(self.guard)

    @property
    def header(self) -> str:
        """The C99 header; what the audit found stands in a comment at its head."""
        lines = [DESPITE] * self.despite + [f"{finding.mark}: {finding.text}" for finding in self.findings]
        notice = "".join(f" * {paper.plain(line)}\n" for line in lines)
        return (f"/* What the audit found:\n{notice} */\n" if notice else "") + paper.header(self.guard)

    def report(self) -> Iterator[Listing | Section]:
        yield from [Listing(DESPITE, (), [])] * self.despite
        if self.findings:
            yield Section("findings", "what the audit found", findings=[*self.findings])
        yield paper.section(self.guard)

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold."""
        found: dict[str, Any] = {"findings": [finding.to_dict() for finding in self.findings]}
        return found | ({"despite_findings": DESPITE} if self.despite else {}) | paper.to_dict(self.guard)

    @property
    def _levels(self) -> dict[str, Level]:
        return {f"{stage}.{level.name}": level for stage, own in self.guard.stages.items() for level in own.levels}

    def plot(self, *, ax: Any = None) -> Any:
        """Draw the levels, those of imbalance too."""
        amps = [1e3 * level.current for level in self._levels.values()]
        return bars(list(self._levels), amps, "level of cathode current [mA]", self.guard.title, ax=ax)

    def to_dataset(self) -> xarray.Dataset:
        """Return the levels, dim "level", such as "power.warn_high"."""
        levels = self._levels
        columns = {name: ([getattr(level, name) for level in levels.values()], unit, words)
                   for name, unit, words in (("current", "A", "cathode current"), ("volts", "V", "across the resistor"),
                                             ("counts", "", "of the converter"), ("hold", "s", "has to last"),
                                             ("within", "s", "acts within"), ("event", "", "event"))}  # fmt: skip
        return labelled("level", list(levels), columns, title=self.guard.title)


def guard(
    design: Any,
    converter: Converter | None = None,
    *,
    despite_findings: bool = False,
    varied: Any = None,
    builds: int = 200,
    seed: int = 0,
    **how: Any,
) -> GuardPaper:
    """Return the guard of an amplifier's output valves: levels of cathode current, and how long each must last.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    converter : Converter, optional
        What reads the currents.
    despite_findings : bool
        Whether a design that must not be built gets its guard, which then says so.
    varied, builds, seed
        What healthy builds differ in, how many are drawn, and by which seed.
    **how
        As for :func:`check`.

    Raises
    ------
    FindingsError
        If the design must not be built.
    InputError
        If there is no output stage, or its currents don't fit the converter.

    Examples
    --------
    >>> import simwrap
    >>> paper = simwrap.guard(simwrap.stage("single_ended_output"), builds=20, quick=True)
    >>> paper.header.rstrip().endswith("#endif")
    True
    """
    amplifier = as_amplifier(design, **how)
    refuse(amplifier, "a guard", despite_findings)
    made = computed(amplifier, converter, varied=varied, builds=builds, seed=seed)
    amplifier.save()
    return GuardPaper(made, findings(amplifier))


def fault_finder(
    design: Any,
    *,
    despite_findings: bool = False,
    varied: Any = None,
    shelf: Iterable[str] | None = None,
    often: Mapping[str, float] | None = None,
    **how: Any,
) -> FaultFinder:
    """Return what finds the fault of a build by its readings; made once, it reads many.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    despite_findings : bool
        Whether readings of a design that must not be built are judged.
    varied : Varied, optional
        What differs from build to build.
    shelf : iterable of str, optional
        Types of valves that are at hand beside the design's own; otherwise any of the library that goes in.
    often : mapping of str to float, optional
        How often each kind of fault happens, in place of entries of ``simwrap.fault_finding.hypotheses.OFTEN``.
    **how
        As for :func:`check`; large signals, which tell nothing of readings, are left out unless ``quick`` is false.

    Raises
    ------
    FindingsError
        If the design must not be built.

    Examples
    --------
    >>> import simwrap
    >>> finder = simwrap.fault_finder(simwrap.stage("triode_gain"), quick=True)
    >>> finder.read([{"point": "v1.anode", "value": "300 V"}, {"point": "v1.cathode", "value": "0 V"}]).verdict
    'faulty'
    """
    amplifier = as_amplifier(design, **{"quick": True, **how})
    refuse(amplifier, "a judgement of readings", despite_findings)
    made = FaultFinder(amplifier, varied=varied, shelf=shelf, often=often)
    amplifier.save()
    return made


@dataclass(frozen=True, repr=False)
class Matching(Shown):
    """Valves as they were measured, and the sets that were chosen of them, the most alike first."""

    measured: tuple[Measured, ...]
    sets: tuple[Matched, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold."""
        return dict(to_dict(list(self.measured), list(self.sets)))

    def to_dataset(self) -> xarray.Dataset:
        """Return the sets, dim "set", the most alike first."""
        columns = {name: ([getattr(each, name) for each in self.sets], unit, words)
                   for name, unit, words in (("imbalance", "A", "between the halves"), ("within", "A", "within a half"),
                                             ("doubt", "A", "halves may be apart"),
                                             ("unlike", "", "unlike"))}  # fmt: skip
        return labelled("set", [", ".join(each.names) for each in self.sets], columns)

    def plot(self, *, ax: Any = None) -> Any:
        """Draw how far apart the halves of each set are, and how far they may be for all that the meter tells."""
        apart = [1e3 * each.imbalance for each in self.sets]
        ends = [(1e3 * each.imbalance, 1e3 * each.doubt) for each in self.sets]
        return bars([", ".join(each.names) for each in self.sets], apart, "halves apart [mA]", ends=ends, ax=ax)

    def report(self) -> Iterator[Listing]:
        for one in self.sets:
            yield Listing(f"{', '.join(one.names)}: halves {render(one.imbalance, 'A', digits=2)} apart", (), [])


@spelled_out(Run)
def choose(
    design: Any,
    goals: Mapping[str, Any],
    free: Iterable[str] | Mapping[str, Any],
    *,
    series: str | Mapping[str, str] = "E12",
    measures: Mapping[str, Mapping[str, Any]] | Iterable[str] | None = None,
    best: int = 5,
    seed: int = 0,
    **run: Unpack[RunKeywords],
) -> Choice:
    """Choose part values from a series so that goals are met, ratings are held, and it is stable.

    Parameters
    ----------
    design : Stage, Circuit, path, Design or Amplifier
        Gives every value that isn't free, and where the search starts. Values for a design are chosen on the supply
        that it really gets, and pass its audit: other loads, what is fitted, states before warming up, mains high.
    goals : mapping of str to object
        By figure ("response.gain", or "gain"; "v1.anode_current", without the valve's
        name where there is one valve): a value such as 50 or "1 mA" (met within 5 %, 0.5 dB
        or 5 degrees), "50 +/- 2 %", ("<", 20), "45 to 55", "least" or "most". The most output
        power is looked for with the drive free, and within the stated distortion of the measure
        where no goal bounds the distortion.
    free : iterable of str, or mapping of str to (low, high)
        Parameters to choose; without ends, within a factor of 30. Both ends the same: held there.
    series : str or mapping of str to str
        For all, or by parameter (the others E12). Wiper positions and voltages aren't bound
        to a series.
    measures : sequence of str or mapping, optional
        Where the goals' figures come from, with options; found by itself where left out.
    best : int
        How many combinations are reported.
    seed : int
        For the starting points.
    engine, executor, workers, time_limit, progress
        As for :func:`simwrap.measure`.

    Returns
    -------
    Choice
        ``.stage`` has the best values; printed, it shows the best few, and what each gives up; ``.findings`` is what
        remains to be said of the best.

    Raises
    ------
    InputError
        For a goal or a free parameter that can't be used.
    NoEngineError
        If there is no simulator.

    Examples
    --------
    >>> import simwrap
    >>> stage = simwrap.stage("triode_gain", valve="6SL7GT")
    >>> chosen = simwrap.choose(stage, {"anode_current": "1 mA +/- 10 %"}, ["cathode_resistor"])
    >>> chosen.met, chosen.stage.values["cathode_resistor"]
    (True, 2200.0)
    """
    if isinstance(design, str | Path | Design | Amplifier):
        amplifier = as_amplifier(design, run=Run.of(run))
        design = AuditJudge(amplifier.design, amplifier.circuit, amplifier.run)
    return search(design, goals, free, series=series, measures=measures, best=best, seed=seed, **run)


def match(design: Any, valves: str | Path, *, stage: str = "", **how: Any) -> Matching:
    """Choose pairs or quads from a list of measured valves, by their currents and slopes in an amplifier.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    valves : path
        CSV with columns name, anode_voltage, grid_voltage, anode_current and screen_voltage.
    stage : str, optional
        The stage whose sockets are filled; the last one with several valves otherwise.
    **how
        As for :func:`check`.

    Returns
    -------
    Matching

    Examples
    --------
    >>> import simwrap, tempfile, pathlib
    >>> rows = "name,anode_voltage,grid_voltage,screen_voltage,anode_current\\n" + "".join(
    ...     f"{name},250,-12.5,250,{current}\\n" for name, current in (("A", 0.044), ("B", 0.046), ("C", 0.056)))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = (file := pathlib.Path(folder) / "valves.csv").write_text(rows)
    ...     found = simwrap.match(simwrap.stage("push_pull_output"), file, quick=True)
    >>> sorted(found.sets[0].names)
    ['A', 'B']
    """
    amplifier = as_amplifier(design, **how)
    measured, sets = chosen(amplifier, valves, stage=stage)
    amplifier.save()
    return Matching(tuple(measured), tuple(sets))


__all__ = ["GuardPaper", "Matching", "check", "choose", "fault_finder", "guard", "match", "new", "sheet"]
