"""What a recording says, against filters of scipy's and polynomials whose response and harmonics are closed forms."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal
from scipy.io import wavfile

import simwrap
from simwrap.cli import main
from simwrap.fault_finding.readings_file import read_response

RATE = 48000
SWEEP = simwrap.SweptSine(start=20.0, stop=20e3, seconds=4.0)
#: An amplifier's corners: first order at 30 Hz and 12 kHz.
LOW, HIGH = 30.0, 12e3


def played(folder: Path, through: Any, *, sweep: simwrap.SweptSine = SWEEP, kind: Any = np.int16) -> Path:
    """Send a sweep through a function of samples, later by 0.123 s and a little noisy, and record it."""
    sent = simwrap.write_sweep(folder / "sent.wav", sweep, rate=RATE)
    _, samples = wavfile.read(sent)
    got = through(samples / 32768.0)
    got = np.concatenate([np.zeros(round(0.123 * RATE)), got])
    got += 1e-5 * np.random.default_rng(1).standard_normal(len(got))
    full = {np.int16: 32767.0, np.int32: 2147483647.0, np.float32: 1.0}[kind]
    wavfile.write(folder / "got.wav", RATE, (got * full).astype(kind))
    return folder / "got.wav"


def band_pass(samples: Any) -> Any:
    for kind, corner in (("highpass", LOW), ("lowpass", HIGH)):
        samples = signal.lfilter(*signal.butter(1, corner, kind, fs=RATE), samples)
    return samples


@pytest.mark.parametrize("kind", [np.int16, np.int32, np.float32])
def test_the_response_is_the_filters(tmp_path: Path, kind: Any) -> None:
    """Against scipy.signal.freqz of the same filters, from 25 Hz to 16 kHz."""
    found = simwrap.recording(played(tmp_path, band_pass, kind=kind), SWEEP)
    exact = np.ones(len(found.frequencies))
    for shape, corner in (("highpass", LOW), ("lowpass", HIGH)):
        b, a = signal.butter(1, corner, shape, fs=RATE)
        exact *= np.abs(signal.freqz(b, a, worN=found.frequencies, fs=RATE)[1])
    inside = (found.frequencies > 25.0) & (found.frequencies < 16e3)
    off = 20.0 * np.log10(found.levels / (0.5 * exact))
    assert inside.sum() > 30
    assert np.abs(off[inside]).max() < 0.05


def test_harmonics_are_those_of_a_polynomial(tmp_path: Path) -> None:
    """y = x + a x^2 + b x^3, |x| = A: second a A^2 / 2, third b A^3 / 4, first A + 3 b A^3 / 4 (trigonometry)."""
    a, b, size = 0.04, 0.03, 0.5
    found = simwrap.recording(played(tmp_path, lambda x: x + a * x**2 + b * x**3), SWEEP, full_scale="20 V")
    first = size + 0.75 * b * size**3
    middle = (found.frequencies > 50.0) & (found.frequencies < 5e3)
    assert found.levels[middle] == pytest.approx(20.0 * first / np.sqrt(2.0), rel=3e-3)
    assert found.harmonics[0][middle] == pytest.approx(0.5 * a * size**2 / first, rel=0.02)
    assert found.harmonics[1][middle] == pytest.approx(0.25 * b * size**3 / first, rel=0.05)
    assert np.nanmax(found.harmonics[2][middle]) < 1e-4
    expected = np.hypot(0.5 * a * size**2, 0.25 * b * size**3) / first
    assert found.thd[middle] == pytest.approx(expected, rel=0.02)
    # Beyond half of the sweep's end no second harmonic was sent anything to compare with.
    assert np.isnan(found.harmonics[0][found.frequencies > 10.5e3]).all()


def test_a_tone_is_found_where_it_is(tmp_path: Path) -> None:
    time = np.arange(RATE) / RATE
    wave = 0.4 * np.sin(2 * np.pi * 1003.7 * time) + 0.004 * np.cos(2 * np.pi * 2007.4 * time)
    wavfile.write(tmp_path / "tone.wav", RATE, np.stack([0.0 * wave, wave], axis=1).astype(np.float32))
    found = simwrap.recording(tmp_path / "tone.wav", tone="1 kHz", full_scale="10 V", channel=2)
    assert found.frequencies[0] == pytest.approx(1003.7, abs=1e-3)
    assert found.levels[0] == pytest.approx(4.0 / np.sqrt(2.0), rel=1e-5)
    assert found.harmonics[0, 0] == pytest.approx(0.01, rel=1e-4)
    assert found.harmonics[1:, 0].max() < 1e-5


def test_what_is_written_is_a_response_that_readings_take(tmp_path: Path) -> None:
    found = simwrap.recording(played(tmp_path, band_pass), SWEEP)
    hertz, levels, kind = read_response(found.write(tmp_path / "response.csv"))
    assert kind == "dB"
    assert hertz == pytest.approx(found.frequencies, rel=1e-5)
    assert levels == pytest.approx(20.0 * np.log10(found.levels), abs=1e-4)


def write(folder: Path, samples: Any, rate: int = RATE) -> Path:
    wavfile.write(folder / "own.wav", rate, np.asarray(samples, dtype=np.float32))
    return folder / "own.wav"


@pytest.mark.parametrize(
    ("samples", "more", "words"),
    [
        (np.zeros(RATE), {}, "holds nothing"),
        (np.full(RATE, 0.2), {}, "holds nothing"),  # a converter's offset is no sound
        (np.clip(3.0 * np.sin(np.arange(9 * RATE)), -1, 1), {}, "clipped at full scale"),
        (0.1 * np.sin(np.arange(RATE)), {}, "the sweep 4 s; give the sweep that was played"),
        (0.1 * np.sin(np.arange(RATE)), {"channel": 2}, "give 1 to 1"),
        (0.1 * np.sin(np.arange(RATE)), {"tone": "50 Hz"}, "holds no tone within 3 % of 50 Hz"),
        (0.1 * np.sin(np.arange(RATE)), {"tone": "30 kHz"}, "at this sampling rate"),
        (0.1 * np.sin(np.arange(9 * RATE)), {"full_scale": "-1 V"}, "more than 0 V"),
    ],
)
def test_what_can_t_be_used_gets_one_sentence(tmp_path: Path, samples: Any, more: Any, words: str) -> None:
    with pytest.raises(simwrap.InputError, match=words):
        simwrap.recording(write(tmp_path, samples), SWEEP, **more)


def test_what_is_no_recording_gets_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "text.wav").write_text("frequency,level\n", encoding="utf-8")
    with pytest.raises(simwrap.InputError, match="is no WAV file"):
        simwrap.recording(tmp_path / "text.wav")
    with pytest.raises(simwrap.InputError, match="there is no file"):
        simwrap.recording(tmp_path / "none.wav")
    whole = write(tmp_path, 0.1 * np.sin(np.arange(9 * RATE)))
    whole.write_bytes(whole.read_bytes()[:2000])  # cut off while it was written
    with pytest.raises(simwrap.InputError, match=r"and the sweep 10 s|holds nothing"):
        simwrap.recording(whole)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"start": "100 Hz", "stop": "150 Hz"}, "at least twice start"),
        ({"seconds": 0.0}, "1 s to 120 s"),
        ({"start": "1 kohm"}, "Hz"),
    ],
)
def test_a_sweep_that_can_t_be_meant_gets_one_sentence(values: Any, words: str) -> None:
    with pytest.raises(simwrap.InputError, match=words):
        simwrap.SweptSine(**values)


def test_a_sweep_fits_the_rate_and_writes_over_nothing(tmp_path: Path) -> None:
    with pytest.raises(simwrap.InputError, match="more samples a second"):
        simwrap.write_sweep(tmp_path / "a.wav", rate=16000)
    simwrap.write_sweep(tmp_path / "a.wav")
    with pytest.raises(simwrap.InputError):
        simwrap.write_sweep(tmp_path / "a.wav")
    with pytest.raises(simwrap.InputError, match=r"doesn't end in \.wav"):
        simwrap.write_sweep(tmp_path / "a.mp3")


def test_at_a_shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def told(*words: str) -> str:
        with pytest.raises(SystemExit) as left:
            main([*words])
        assert left.value.code == 0
        return capsys.readouterr().out

    ends = ["--from", "20 Hz", "--to", "20k", "--seconds", "4 s"]
    told("swept-sine", str(tmp_path / "sweep.wav"), *ends)
    got = played(tmp_path, band_pass)
    assert (tmp_path / "sweep.wav").read_bytes() == (tmp_path / "sent.wav").read_bytes()
    shown = json.loads(told("recording", str(got), *ends, "--full-scale", "10 V", "--json"))
    assert shown["unit"] == "V"
    text = told("recording", str(got), *ends, "-o", str(tmp_path / "response.csv"), "--plot", str(tmp_path / "d.png"))
    assert "THD" in text
    assert "dB of full scale" in text
    assert read_response(tmp_path / "response.csv")[2] == "dB"
    assert (tmp_path / "d.png").stat().st_size > 5000
