"""The musical tuning of notes that were made in tune, and of what has none."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import signals

from pipeline.records import NotMeasured
from pipeline.settings import settings_from
from pipeline.tuning import TuningCriteria, measure_tuning

ROOT = Path(__file__).parent.parent
METHOD = tomllib.loads((ROOT / "config" / "method.toml").read_text("utf-8"))
CRITERIA = settings_from(TuningCriteria, METHOD["tuning"], "config/method.toml")


def replayed(wave, error_percent):
    """The same tape at another speed, by linear interpolation: good enough for low notes."""
    at = np.arange(int(len(wave) / (1 + error_percent / 100)) - 1) * (1 + error_percent / 100)
    return np.interp(at, np.arange(len(wave)), wave)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("error_percent", [-1.5, -0.90909, 0.0, 1.0])
def test_a_melody_off_speed_reads_off_pitch(rate_hz, error_percent):
    """One of the melody's two voices stands a pure fifth up, 2 cents above the scale."""
    melody = replayed(signals.melody(20, rate_hz, 3), error_percent)
    expected = 1200 * np.log2(1 + error_percent / 100)
    found = measure_tuning(melody.astype(np.float32), rate_hz, CRITERIA)
    assert found == pytest.approx(expected, abs=4.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_speech_and_noise_have_no_tuning(seed):
    for wave in (signals.speech_like(30, 44_100, seed), signals.hiss(30, 44_100, -20, seed)):
        assert isinstance(measure_tuning(wave.astype(np.float32), 44_100, CRITERIA), NotMeasured)


def test_too_little_and_silence_have_no_tuning():
    assert "shorter" in measure_tuning(np.ones(100, np.float32), 44_100, CRITERIA).reason
    assert "quieter" in measure_tuning(np.zeros(44_100 * 20, np.float32), 44_100, CRITERIA).reason


def test_librosa_is_imported_by_one_process_at_a_time():
    """Its compiled functions are kept in one place, which numba leaves wrong where two fill it at once."""
    fcntl = pytest.importorskip("fcntl", reason="this system has no such locks")
    import librosa

    script = "from pipeline.tuning import _librosa; print('asks', flush=True); _librosa(); print('has it', flush=True)"
    with Path(librosa.__file__).open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, cwd=ROOT)
        assert child.stdout.readline() == "asks\n"
        with pytest.raises(subprocess.TimeoutExpired):
            child.wait(5)
    assert child.communicate(timeout=120)[0] == "has it\n"
    assert child.returncode == 0
