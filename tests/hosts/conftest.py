"""What the host checks share: the built plugin, the bench program, and one sound for both.

    same sound, same knobs ──┬─► built VST3 in a host ─► latency taken off ─┐
                             └─► `tritank render` ──────────────────────────┴─► error-to-signal, dB

`cargo xtask test` builds both and runs these files; the paths come from it, or from the usual places.
"""

import json
import os
import pathlib
import subprocess

import numpy as np
import pytest
from scipy.io import wavfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
RATE = 48_000


def built(variable, usual):
    path = pathlib.Path(os.environ.get(variable, ROOT / "target" / usual))
    if not path.exists():
        pytest.exit(f"{path} is not built: `cargo xtask test` builds it and runs these checks", returncode=1)
    return path


@pytest.fixture(scope="session")
def vst3():
    return str(built("TRITANK_VST3", "bundled/Tritank.vst3"))


@pytest.fixture(scope="session")
def presets():
    """The preset files that lie beside the bundles, by the name that a host shows."""
    files = built("TRITANK_PRESETS", "bundled/presets").glob("Tritank/Tritank/*.vstpreset")
    return {file.stem: str(file) for file in files}


@pytest.fixture(scope="session")
def chord():
    """A second and a half of three notes with a dozen partials each, left louder than right: float32, (2, n)."""
    t = np.arange(int(1.5 * RATE)) / RATE
    tone = sum(np.sin(2 * np.pi * k * f * t) / k for f in (98.0, 146.8, 196.0) for k in range(1, 13))
    tone *= np.minimum(1.0, t / 0.01) * 0.3 / np.abs(tone).max()
    return np.stack([tone, 0.6 * tone]).astype(np.float32)


class Bench:
    """`tritank render`: the plugin's engine, offline, lined up with its input."""

    def __init__(self, program, folder):
        self.program, self.folder = program, folder

    def patches(self):
        """A file for each patch that comes with the program, by the name that a host shows."""
        listed = json.loads(self.run("patches", "--json"))
        files = {}
        for name in (patch["name"] for patch in listed):
            file = self.folder / f"{name}.toml"
            self.run("patches", "--write", file, name)
            files[name.replace("-", " ").capitalize()] = file
        return files

    def run(self, *words):
        command = [self.program, *map(str, words)]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout

    def render(self, sound, knobs, edges=(), song=None, patch=None, **jacks):
        """Main out and taps, (2, n) and (4, n), for the same sound, knobs as text, (seconds, line, state) edges, MIDI and patch files."""
        out, taps = self.folder / "out.wav", self.folder / "taps.wav"
        command = ["render", "--in1", self.wav("in1", sound), "--out", out, "--taps", taps]
        for jack, other in jacks.items():
            command += [f"--{jack}", self.wav(jack, other)]
        for knob, text in knobs.items():
            command += ["--set", f"{knob}={text}"]
        if edges:
            lines = self.folder / "lines.csv"
            rows = [f"{seconds!r},{line},{state}" for seconds, line, state in edges]
            lines.write_text("\n".join(["seconds,line,state", *rows]) + "\n")
            command += ["--lines", lines]
        if song is not None:
            command += ["--keys", song, "--seconds", sound.shape[1] / RATE]
        if patch is not None:
            command += ["--patch", patch]
        self.run(*command)
        return tuple(wavfile.read(file)[1].T for file in (out, taps))

    def wav(self, name, sound):
        file = self.folder / f"{name}.wav"
        wavfile.write(file, RATE, np.ascontiguousarray(sound.T))
        return file


@pytest.fixture
def bench(tmp_path):
    return Bench(built("TRITANK_BENCH", "release/tritank"), tmp_path)


def error_db(got, wanted):
    """Power of the difference over power of the signal, in dB; both must be long, alive and of one shape."""
    assert got.shape == wanted.shape, (got.shape, wanted.shape)
    power = np.mean(wanted.astype(float) ** 2)
    assert power > 1e-8, "there is no signal to compare with"
    return 10 * np.log10(np.mean((got.astype(float) - wanted) ** 2) / power + 1e-30)
