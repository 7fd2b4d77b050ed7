"""Every exception of simwrap, and how its sentence is built.

One error is one sentence: where it happened, what was given and how it was read, what is
accepted, and the nearest match or the next step. Code elsewhere raises these with fields;
only this module builds the words.
"""

from __future__ import annotations

import difflib
import errno
from collections.abc import Iterable, Sequence

#: Exit codes of the command line.
EXIT_NOT_MET = 1
EXIT_BAD_INPUT = 2
EXIT_ENGINE_FAILED = 3
EXIT_SYSTEM = 4
EXIT_INTERRUPTED = 130


def nearest(given: str, accepted: Iterable[str], count: int = 3) -> list[str]:
    """Return up to ``count`` accepted names that look like ``given``, without regard to case."""
    by_fold = {name.casefold(): name for name in accepted}
    found = difflib.get_close_matches(given.casefold(), by_fold, n=count, cutoff=0.5)
    return [by_fold[name] for name in found]


def shown(value: object, limit: int = 60) -> str:
    """Return ``value`` as one printable line in quotes, cut at ``limit`` characters."""
    text = str(value)
    if len(text) > limit:
        text = text[: limit - 3] + "..."
    return '"' + text.encode("unicode_escape").decode("ascii").replace('"', '\\"') + '"'


class SimwrapError(Exception):
    """Base of all errors that simwrap raises on purpose; ``str()`` is one sentence."""

    exit_code = EXIT_BAD_INPUT


class InputError(SimwrapError):
    """Something the user gave can't be used."""


class SystemLimitError(SimwrapError):
    """The computer has run out of something: room on a disk, files, processes, memory."""

    exit_code = EXIT_SYSTEM


#: What the system says when it has run out of something; another name for a file wouldn't help.
_RUN_OUT = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EAGAIN, errno.EIO}


def system_error(what: str, fault: BaseException) -> SimwrapError:
    """Return what can't be done, such as "room.toml can't be read", with the system's reason.

    It is a :class:`SystemLimitError` where the system has run out of something, else an :class:`InputError`.
    """
    kind = SystemLimitError if getattr(fault, "errno", None) in _RUN_OUT else InputError
    return kind(f"{what} ({getattr(fault, 'strerror', None) or fault})")


class UnknownNameError(InputError):
    """A name that isn't in a registry, with the nearest names that are.

    Parameters
    ----------
    kind : str
        What was looked for, such as "valve" or "stage".
    given : str
        The name as given.
    accepted : iterable of str
        All names that would have been found.
    where : str, optional
        Where the name stood, such as "triode_gain".
    """

    def __init__(self, kind: str, given: object, accepted: Iterable[str], where: str = "") -> None:
        self.kind = kind
        self.given = str(given)
        self.accepted = sorted(accepted)
        self.where = where
        self.matches = nearest(self.given, self.accepted)
        start = f"{where}: " if where else ""
        if self.matches:
            hint = "did you mean " + " or ".join(self.matches) + "?"
        elif len(self.accepted) <= 40:
            hint = "known: " + (", ".join(self.accepted) or "none")
        else:
            hint = f"{len(self.accepted)} are known; `simwrap list` prints them"
        super().__init__(f"{start}there is no {kind} {shown(self.given)}; {hint}")


class AmbiguousNameError(InputError):
    """A name that several things end with.

    Parameters
    ----------
    kind : str
        What was looked for, such as "figure".
    given : str
        The name as given.
    meant : sequence of str
        The full names that it could mean.
    where : str, optional
        Where the name stood.
    """

    def __init__(self, kind: str, given: object, meant: Sequence[str], where: str = "") -> None:
        self.kind, self.given, self.meant, self.where = kind, str(given), list(meant), where
        start = f"{where}: " if where else ""
        super().__init__(f"{start}the {kind} {shown(given)} could be {_listed(self.meant)}; give more of its name")


def _listed(names: Sequence[str], most: int = 8) -> str:
    if len(names) > most:
        names = [*names[:most], f"{len(names) - most} others"]
    return " or ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


class QuantityError(InputError):
    """A value that can't be read as the quantity that was expected.

    Parameters
    ----------
    parameter : str
        The parameter's name ("" where there is none).
    given : object
        What was given.
    reading : str
        How it was read, such as 'read as 1 with unit "k5k"'.
    accepted : str
        What would be accepted, such as 'a resistance such as 1500, "1k5" or "1.5 kohm"'.
    """

    def __init__(self, parameter: str, given: object, reading: str, accepted: str) -> None:
        self.parameter, self.given, self.reading, self.accepted = parameter, given, reading, accepted
        start = f"{parameter}: " if parameter else ""
        super().__init__(f"{start}{shown(given)} {reading}; give {accepted}")


class FileProblemsError(InputError):
    """All that is wrong with one file, at once.

    Parameters
    ----------
    path : object
        The file.
    problems : sequence of str
        One short clause for each fault.
    """

    #: So many problems are told; a file with more is another kind of file, or one slip many times over.
    MOST = 40

    def __init__(self, path: object, problems: Sequence[str]) -> None:
        self.path, self.problems = path, list(problems)
        many = f"{len(self.problems)} problems: " if len(self.problems) > 1 else ""
        told = [_clause(problem) for problem in self.problems[: self.MOST]]
        if len(self.problems) > self.MOST:
            told.append(f"and {len(self.problems) - self.MOST} more")
        super().__init__(f"{path}: {many}" + "; ".join(told))


def _clause(problem: str, limit: int = 400) -> str:
    """Return a problem in one line; a long one is cut in the middle, since its advice is at the end."""
    text = " ".join(problem.split())
    return text if len(text) <= limit else f"{text[: limit // 2]} ... {text[-limit // 2 :]}"


class FindingsError(SimwrapError):
    """A paper of something that must not be built.

    Parameters
    ----------
    title : str
        The design.
    paper : str
        What was asked for.
    findings : sequence of str
        The sentences of what was found, the gravest first.
    """

    exit_code = EXIT_NOT_MET

    def __init__(self, title: str, paper: str, findings: Sequence[str]) -> None:
        self.title, self.paper, self.findings = title, paper, list(findings)
        more = f" (and {len(self.findings) - 1} more)" if len(self.findings) > 1 else ""
        first = self.findings[0].removesuffix(".")
        super().__init__(
            f"{title}: no {paper.removeprefix('a ')} is made of what must not be built: {first}{more}; `simwrap check` "
            "says all, and --despite-findings (despite_findings=True) makes it all the same"
        )


class NetlistError(InputError):
    """A netlist that breaks the rules of netlist.py (names, plain numbers, allow-list).

    Parameters
    ----------
    message : str
    device, problem : str, optional
        The element that breaks them, and by what: whoever knows where it was written can say so.
    """

    def __init__(self, message: str, device: str = "", problem: str = "") -> None:
        super().__init__(message)
        self.device, self.problem = device, problem


class EngineError(SimwrapError):
    """A simulator could not do what was asked.

    Parameters
    ----------
    reason : str
        What the engine said, or what was seen.
    engine : str, optional
        Which engine.
    netlist : str, optional
        The netlist that failed, kept for the user.
    """

    exit_code = EXIT_ENGINE_FAILED

    def __init__(self, reason: str, engine: str = "", netlist: str = "") -> None:
        self.reason, self.engine, self.netlist = reason, engine, netlist
        start = f"engine {engine}: " if engine else ""
        super().__init__(start + reason)


class NoEngineError(EngineError):
    """No usable simulator was found."""


class RangeError(InputError):
    """A value that was read well but lies outside what the parameter accepts.

    Parameters
    ----------
    parameter : str
        The parameter's name.
    given : object
        What was given, as shown to the user.
    accepted : str
        The accepted range or choices in words.
    where : str, optional
        The stage or file.
    """

    def __init__(self, parameter: str, given: object, accepted: str, where: str = "") -> None:
        self.parameter, self.given, self.accepted, self.where = parameter, given, accepted, where
        start = f"{where}: " if where else ""
        super().__init__(f"{start}{parameter} is {shown(given)}; give {accepted}")
