"""Connections between stages: how they are read, and what may be wrong with them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from simwrap.circuits.stage import Stage
from simwrap.errors import InputError, UnknownNameError
from simwrap.registry import find


class Join(NamedTuple):
    """A connection: signal or supply goes from the first port to the second, each as "stage.port"."""

    start: str
    end: str

    @classmethod
    def read(cls, given: Any) -> Join:
        """Read ``"a.output -> b.input"``, or a pair.

        Raises
        ------
        InputError
            If it is neither.
        """
        ends = given.split("->") if isinstance(given, str) else given
        if isinstance(ends, Sequence) and len(ends) == 2 and all(isinstance(end, str) for end in ends):
            return cls(*(end.strip() for end in ends))
        raise InputError(f'the join {given!r} can\'t be read; give one such as "driver.output -> splitter.input"')

    def __str__(self) -> str:
        return f"{self.start} -> {self.end}"


def chain(stages: Mapping[str, Stage]) -> Iterator[Join]:
    """Yield the joins of a chain: each output to the next input, and both sides of a splitter to a pair."""
    for one, other in itertools.pairwise(stages):
        for start, end in (("output", "input"), ("output_b", "input_b")):
            if start in stages[one].template.header.ports and end in stages[other].template.header.ports:
                yield Join(f"{one}.{start}", f"{other}.{end}")


def join_faults(stages: Mapping[str, Stage], joins: Sequence[Join], ends: Sequence[str]) -> Iterator[str]:
    """Yield a clause for everything that is wrong with joins, and with the ports ``ends`` that are named."""
    fed: dict[str, str] = {}
    known = []  # those whose ends are both there
    for join in joins:
        places = [find_place(stages, place) for place in join]
        kinds = [kind for _, kind in places]
        faults = [fault for fault, _ in places if fault]
        yield from (f"{join}: {fault}" for fault in faults)
        if not faults:
            known.append(join)
        if kinds[0] in ("source", "supply"):
            yield f"{join}: {join.start} is an input ({kinds[0]}); a join starts at an output"
        if kinds[1] == "load":
            yield f"{join}: {join.end} is an output; a join ends at an input, a supply or a point"
        if kinds[1] in ("source", "supply") and join.end in fed:
            yield f"{join}: {join.end} is already fed by {fed[join.end]}"
        fed[join.end] = join.start
    for place in filter(None, ends):
        fault, _ = find_place(stages, place)
        if fault:
            yield fault
    yield from _loops(stages, known)


def find_place(stages: Mapping[str, Stage], place: str) -> tuple[str, str]:
    """Return what is wrong with "stage.port", and the port's kind."""
    name, _, own = place.partition(".")
    try:
        template = find("stage", name, stages).template
        known = {**template.header.ports, **dict.fromkeys(template.nodes, None)}
        port = known[own] if own in known else find(f"port of {name}", own, template.header.ports)
    except UnknownNameError as fault:
        return str(fault), ""
    return "", "point" if port is None else port.kind


def _loops(stages: Mapping[str, Stage], joins: Sequence[Join]) -> Iterator[str]:
    """Yield a clause for a circle of signals that no feedback path closes."""
    forward: dict[str, set[str]] = {name: set() for name in stages}
    for join in joins:
        start, end = (place.partition(".")[0] for place in join)
        port = stages[end].template.header.ports.get(join.end.partition(".")[2])
        carries_signal = port is None or port.kind != "supply"
        if carries_signal and all(stages[name].template.header.role != "feedback" for name in (start, end)):
            forward[start].add(end)
    before: dict[str, list[str]] = {name: [] for name in stages}
    for name, following in forward.items():
        for other in following:
            before[other].append(name)
    open_ends = {name: len(following) for name, following in forward.items()}
    ends = [name for name, count in open_ends.items() if not count]
    while ends:
        last = ends.pop()
        del open_ends[last]
        for name in before[last]:
            open_ends[name] -= 1
            if not open_ends[name]:
                ends.append(name)
    if open_ends:
        circle = " -> ".join(open_ends)
        yield f"{circle} is a circle; a loop is closed by a stage whose role is feedback, such as feedback_path"
