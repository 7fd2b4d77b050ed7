"""What a sound card has recorded of an amplifier: response and harmonics, from a sweep or a tone that is known.

The sweep's frequency rises exponentially with time. Compared with what was sent, each harmonic comes earlier by a time
of its own, so that one recording has the response and every harmonic's level over frequency (A. Farina, Simultaneous
measurement of impulse response and distortion with a swept-sine technique, 108th AES Convention, 2000; from memory).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap._paths import as_path
from simwrap.errors import InputError, RangeError
from simwrap.files import whole_file, write_text
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

Floats = NDArray[np.float64]

#: Harmonics that are looked at, the fundamental among them.
HARMONICS = 5
#: Frequencies a decade of what is told.
_PER_DECADE = 12
#: Beginning and end of a sweep fade in and out for so long [s]: a step would ring.
_FADE = 0.01
#: Largest sample of what is sent, of full scale.
_LEVEL = 0.5
#: Samples at least so large are clipped.
_FULL = 0.9995
#: Shortest part of a recording that is silence, or a tone [s].
_SHORTEST = 0.1
#: Below so much of the fundamental a harmonic can't be told from the converter's steps.
_LEAST = 1e-6


@dataclass(frozen=True)
class SweptSine:
    """A sine whose frequency rises exponentially.

    Attributes
    ----------
    start, stop : float
        [Hz].
    seconds : float
    """

    start: float = 20.0
    stop: float = 20e3
    seconds: float = 10.0

    def __post_init__(self) -> None:
        for name, unit, low, high in (("start", "Hz", 1.0, 90e3), ("stop", "Hz", 1.0, 90e3),
                                      ("seconds", "s", 1.0, 120.0)):  # fmt: skip
            value = quantity.parse(getattr(self, name), unit, f"sweep: {name}")
            if not low <= value <= high:
                ends = f"{quantity.render(low, unit)} to {quantity.render(high, unit)}"
                raise RangeError(name, quantity.render(value, unit), ends, "sweep")
            object.__setattr__(self, name, value)
        if self.stop < 2.0 * self.start:
            raise RangeError("stop", quantity.render(self.stop, "Hz"), "at least twice start", "sweep")

    @property
    def growth(self) -> float:
        """The time in which the frequency rises by the factor e [s]."""
        return self.seconds / float(np.log(self.stop / self.start))

    def samples(self, rate: float) -> Floats:
        """Return it at a sampling rate [Hz], of amplitude 1."""
        if self.stop > 0.49 * rate:
            most = f"at most {quantity.render(0.49 * rate, 'Hz')}, or more samples a second"
            raise RangeError("stop", quantity.render(self.stop, "Hz"), most, "sweep")
        time = np.arange(round(self.seconds * rate)) / rate
        turns = self.start * self.growth * np.expm1(time / self.growth)
        fade = np.clip(np.minimum(time, self.seconds - time) / _FADE, 0.0, 1.0)
        return np.asarray(np.sin(2.0 * np.pi * turns) * 0.5 * (1.0 - np.cos(np.pi * fade)))


@dataclass(frozen=True, repr=False)
class Recording(Shown):
    """What a recording says.

    Attributes
    ----------
    frequencies : ndarray, shape (frequencies,)
        Of the fundamental [Hz].
    levels : ndarray, shape (frequencies,)
        R.m.s. of the fundamental [V], or of full scale where no voltage was stated.
    harmonics : ndarray, shape (harmonics, frequencies)
        Second and higher ones as shares of the fundamental; NaN above what the sampling rate holds.
    unit : str
        "V", or "" for shares of full scale.
    title : str
    """

    frequencies: Floats
    levels: Floats
    harmonics: Floats
    unit: str
    title: str

    @property
    def thd(self) -> Floats:
        """Total harmonic distortion at each frequency, a share of the fundamental, of the harmonics that were seen."""
        seen = np.isfinite(self.harmonics).any(axis=0)
        return np.where(seen, np.sqrt(np.nansum(self.harmonics**2, axis=0)), np.nan)

    def report(self) -> Iterator[Listing]:
        heads = ("frequency", "level", "THD", *[f"{n}." for n in range(2, 2 + len(self.harmonics))])
        rows = []
        for place, (hertz, level, thd) in enumerate(zip(self.frequencies, self.levels, self.thd, strict=True)):
            shares = [f"{100.0 * share:.3g} %" if np.isfinite(share) else "above the range"
                      for share in (thd, *self.harmonics[:, place])]  # fmt: skip
            told = quantity.render(level, "V") if self.unit else f"{20.0 * np.log10(level):.2f} dB of full scale"
            rows.append((quantity.render(float(hertz), "Hz"), told, *shares))
        yield Listing(f"{self.title}: level and harmonics as shares of the fundamental", heads, rows)

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold; null is what the sampling rate doesn't hold."""
        return dict(plain({"frequency": self.frequencies, "level": self.levels, "unit": self.unit, "thd": self.thd,
                           "harmonics": self.harmonics}))  # fmt: skip

    def to_dataset(self) -> xarray.Dataset:
        """Return levels and harmonics, dim "frequency" [Hz]."""
        columns = {"level": (self.levels, self.unit, "level of the fundamental"), "thd": (self.thd, "", "THD")}
        columns |= {f"harmonic_{n}": (row, "", f"harmonic {n}") for n, row in enumerate(self.harmonics, 2)}
        data = labelled("frequency", self.frequencies.tolist(), columns)
        data["frequency"].attrs["units"] = "Hz"
        return data

    def plot(self, *, ax: Any = None) -> Any:
        """Draw distortion over frequency, each harmonic and all together."""
        from matplotlib.figure import Figure

        figure = Figure(layout="constrained") if ax is None else ax.figure
        axes = figure.subplots() if ax is None else ax
        axes.loglog(self.frequencies, 100.0 * self.thd, "k", marker=".", label="THD")
        for number, row in enumerate(self.harmonics, 2):
            axes.loglog(self.frequencies, 100.0 * row, marker=".", label=f"harmonic {number}")
        axes.set(xlabel="frequency [Hz]", ylabel="of the fundamental [%]", title=self.title)
        axes.legend()
        return figure

    def write(self, file: str | Path, *, replace: bool = False) -> Path:
        """Write frequencies and levels as a table that ``simwrap readings --response`` takes."""
        volts = self.levels if self.unit else 20.0 * np.log10(self.levels)
        rows = [f"{hertz:.6g},{level:.6g} {self.unit or 'dB'}"
                for hertz, level in zip(self.frequencies, volts, strict=True)]  # fmt: skip
        path = as_path(file, "a response")
        write_text(path, "\n".join(["frequency,level", *rows]) + "\n", replace=replace)
        return path


def write_sweep(file: str | Path, sweep: SweptSine | None = None, *, rate: int = 48000, replace: bool = False) -> Path:
    """Write a sweep as a WAV file to play through an amplifier, with half a second of silence before and after.

    Parameters
    ----------
    file : path
    sweep : SweptSine, optional
        From 20 Hz to 20 kHz in 10 s otherwise.
    rate : int
        Samples a second.
    replace : bool
        Whether a file that is there is written over.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the sweep doesn't fit the rate, or the file is there already.

    Examples
    --------
    >>> import pathlib, simwrap, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     simwrap.write_sweep(pathlib.Path(folder, "sweep.wav")).name
    'sweep.wav'
    """
    from scipy.io import wavfile

    path = as_path(file, "a sweep")
    if path.suffix.lower() != ".wav":
        raise InputError(f'sweep: "{path}" doesn\'t end in .wav')
    if not 8000 <= rate <= 384000:
        raise RangeError("rate", rate, "8000 to 384000 samples a second", "sweep")
    silence = np.zeros(rate // 2)
    samples = np.concatenate([silence, _LEVEL * (sweep or SweptSine()).samples(rate), silence])
    with whole_file(path, replace=replace) as partial:
        wavfile.write(partial, rate, np.round(samples * 32767.0).astype(np.int16))
    return path


def recording(file: str | Path, sweep: SweptSine | None = None, *, tone: Any = None, full_scale: Any = None,
              channel: int = 1) -> Recording:  # fmt: skip
    """Return what the recording of a known sweep, or of a tone, says of an amplifier.

    Parameters
    ----------
    file : path
        WAV of any usual format.
    sweep : SweptSine, optional
        What was played; from 20 Hz to 20 kHz in 10 s otherwise.
    tone : str or float, optional
        In place of the sweep a steady tone of about this frequency [Hz]; it is found within 3 %.
    full_scale : str or float, optional
        Voltage at the amplifier whose peak fills the converter [V]; levels are shares of full scale otherwise.
    channel : int
        1 is the first, or left.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        For what is no recording, is clipped, silent, shorter than the sweep, or has no such channel.

    Examples
    --------
    >>> import pathlib, simwrap, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sent = simwrap.write_sweep(pathlib.Path(folder, "sweep.wav"))
    ...     bool(simwrap.recording(sent).thd[20] < 1e-4)
    True
    """
    path = as_path(file, "a recording")
    rate, samples = _read(path, channel)
    volts = 1.0 if full_scale is None else quantity.parse(full_scale, "V", "recording: full_scale")
    if not 0.0 < volts <= 1e4:
        raise RangeError("full_scale", quantity.render(volts, "V"), "more than 0 V, at most 10 kV", "recording")
    if tone is None:
        frequencies, amplitudes = _of_sweep(path, samples, rate, sweep or SweptSine())
    else:
        frequencies, amplitudes = _of_tone(path, samples, rate, quantity.parse(tone, "Hz", "recording: tone"))
    first = amplitudes[0]
    shares = np.where(
        amplitudes[1:] / first > _LEAST, amplitudes[1:] / first, np.where(np.isnan(amplitudes[1:]), np.nan, 0.0)
    )
    unit = "" if full_scale is None else "V"
    # R.m.s. volts; of full scale a sine that fills it is 0 dB.
    return Recording(frequencies, first * (volts / np.sqrt(2.0) if unit else 1.0), shares, unit, path.name)


def _read(path: Path, channel: int) -> tuple[int, Floats]:
    """Return sampling rate and samples, 1 at full scale."""
    from scipy.io import wavfile

    try:
        with warnings.catch_warnings():  # of what else a file holds; one without an end is too short
            warnings.simplefilter("ignore", wavfile.WavFileWarning)
            rate, found = wavfile.read(path)
    except FileNotFoundError:
        raise InputError(f'recording: there is no file "{path}"') from None
    except (ValueError, OSError, EOFError) as fault:
        raise InputError(
            f'recording: "{path}" is no WAV file that can be read ({fault}); give 16, 24 or 32 bits or floats'
        ) from None
    table = np.atleast_2d(np.asarray(found).T)
    if not 1 <= channel <= len(table):
        raise RangeError("channel", channel, f"1 to {len(table)}, which {path.name} has", "recording")
    row = table[channel - 1]
    if row.dtype.kind == "u":
        samples = row.astype(float) / 128.0 - 1.0
    else:
        samples = row.astype(float) / (1.0 if row.dtype.kind == "f" else -float(np.iinfo(row.dtype).min))
    samples = samples - (samples.mean() if len(samples) else 0.0)
    if len(samples) < _SHORTEST * rate or not np.isfinite(samples).all() or np.abs(samples).max() < 1e-4:
        raise InputError(f"recording: {path.name} holds nothing, or less than a tenth of a second; record it again")
    if np.abs(samples).max() >= _FULL:
        raise InputError(f"recording: {path.name} is clipped at full scale; record it again with less gain")
    return int(rate), samples


def _of_sweep(path: Path, samples: Floats, rate: int, sweep: SweptSine) -> tuple[Floats, Floats]:
    """Return frequencies, and the amplitude of each harmonic there, shape (harmonics, frequencies)."""
    from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
    from scipy.signal import fftconvolve

    sent = _LEVEL * sweep.samples(rate)
    if len(samples) < len(sent):
        lasts, long = (quantity.render(each, "s", digits=3) for each in (len(samples) / rate, sweep.seconds))
        raise InputError(f"recording: {path.name} lasts {lasts}, and the sweep {long}; give the sweep that was played")
    delay = int(np.argmax(np.abs(fftconvolve(samples, sent[::-1])))) - (len(sent) - 1)
    size = next_fast_len(2 * max(len(samples), len(sent)))
    spectrum = rfft(sent, size)
    power = np.abs(spectrum) ** 2
    response = rfft(samples, size) * np.conj(spectrum) / (power + 1e-9 * power.max())
    impulse = np.roll(irfft(response, size), -delay)
    ahead = [sweep.growth * np.log(n) * rate for n in range(1, HARMONICS + 2)]  # where each harmonic's own begins
    hertz = rfftfreq(size, 1.0 / rate)
    decades = np.log10(sweep.stop / sweep.start)
    edge = (sweep.stop / sweep.start) ** 0.02  # its fading ends are no measure
    frequencies = np.geomspace(sweep.start * edge, sweep.stop / edge, round(_PER_DECADE * decades))
    amplitudes = np.full((HARMONICS, len(frequencies)), np.nan)
    for n in range(1, HARMONICS + 1):
        early = 0.5 * (ahead[n] - ahead[n - 1])  # half way to the next one
        late = 0.5 * (ahead[n - 1] - ahead[n - 2]) if n > 1 else 0.45 * size
        own = np.zeros(size)
        span = np.arange(-int(early), int(late))
        window = np.ones(len(span))
        fade = int(min(0.25 * early, 0.25 * late))
        window[:fade] = 0.5 * (1.0 - np.cos(np.pi * np.arange(fade) / fade))
        if n > 1:
            window[-fade:] = window[:fade][::-1]
        own[span % size] = impulse[(span - round(ahead[n - 1])) % size] * window
        held = n * frequencies <= min(sweep.stop / edge, 0.49 * rate)
        amplitudes[n - 1, held] = _LEVEL * np.interp(n * frequencies[held], hertz, np.abs(rfft(own)))
    return frequencies, amplitudes


def _of_tone(path: Path, samples: Floats, rate: int, tone: float) -> tuple[Floats, Floats]:
    """Return the frequency that was found, and the amplitude of each harmonic, shape (harmonics, 1)."""
    from scipy.optimize import minimize_scalar

    if not 1.0 <= tone <= 0.49 * rate:
        most = f"1 Hz to {quantity.render(0.49 * rate, 'Hz')} at this sampling rate"
        raise RangeError("tone", quantity.render(tone, "Hz"), most, "recording")
    time = np.arange(len(samples)) / rate
    near = np.fft.rfft(samples * np.hanning(len(samples)))
    hertz = np.fft.rfftfreq(len(samples), 1.0 / rate)
    inside = np.flatnonzero(np.abs(hertz / tone - 1.0) < 0.03)
    if not len(inside):
        raise InputError(f"recording: {path.name} is too short for {quantity.render(tone, 'Hz')}")
    middle = float(hertz[inside[np.argmax(np.abs(near[inside]))]])
    step = rate / len(samples)

    def fitted(frequency: float) -> tuple[Floats, float]:
        """Return the amplitudes of what fits best, and what is left."""
        count = [n for n in range(1, HARMONICS + 1) if n * frequency <= 0.49 * rate]
        columns = [part(2.0 * np.pi * n * frequency * time) for n in count for part in (np.cos, np.sin)]
        found, *_ = np.linalg.lstsq(np.stack([*columns, np.ones(len(time))], axis=1), samples, rcond=None)
        pairs = found[:-1].reshape(-1, 2)
        left = samples - np.stack(columns, axis=1) @ found[:-1] - found[-1]
        return np.hypot(pairs[:, 0], pairs[:, 1]), float(left @ left)

    best = minimize_scalar(lambda f: fitted(f)[1], bounds=(middle - step, middle + step), method="bounded",
                           options={"xatol": 1e-6 * middle}).x  # fmt: skip
    found, left = fitted(float(best))
    if left > 0.5 * float(samples @ samples):
        raise InputError(f"recording: {path.name} holds no tone within 3 % of {quantity.render(tone, 'Hz')}")
    amplitudes = np.full((HARMONICS, 1), np.nan)
    amplitudes[: len(found), 0] = found
    return np.array([float(best)]), amplitudes


__all__ = ["HARMONICS", "Recording", "SweptSine", "recording", "write_sweep"]
