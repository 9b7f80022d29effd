"""Detection tests on real sweeps: tones and a continuous EEG of one person.

`muse-auditory`: NeuroTechX eeg-notebooks v0.1, P300, subject 1 session 1 (BSD 3-Clause), read in
place: three runs of two minutes, four channels. Temporal channels should show a response to the
tones, frontal ones little (expectation of the data's own page and of the trade, from memory).
"""

import numpy as np
import pytest
from scipy import signal, stats

from waveworks.dsp.average_noise import average_noise
from waveworks.dsp.detectors import detector

RATE_HZ = 256
CHANNELS = ("TP9", "TP10", "AF7", "AF8")
TESTS = ("calibrated-f", "sign-flip", "hotelling-t2")
LENGTH = 90  # samples of 50 to 400 ms


@pytest.fixture
def runs(real_recordings):
    """Filtered EEG in nV and marker of each run."""
    found = []
    for path in sorted(real_recordings("muse-auditory").rglob("*.csv")):
        with path.open(encoding="utf-8") as file:
            header = file.readline().strip().split(",")
        if "Marker0" not in header:
            continue
        data = np.loadtxt(path, delimiter=",", skiprows=1)
        sos = signal.butter(2, (1.0, 30.0), "bandpass", fs=RATE_HZ, output="sos")
        channels = data[:, [header.index(name) for name in CHANNELS]].T * 1e3
        found.append((signal.sosfiltfilt(sos, channels), data[:, header.index("Marker0")]))
    assert len(found) == 3
    return found


def at_onsets(runs, channel, onsets):
    """Windows from 50 to 400 ms after each onset, those above 50 uV left out, in their order."""
    sweeps = [
        eeg[channel, o + 13 : o + 13 + LENGTH]
        for (eeg, _), own in zip(runs, onsets, strict=True)
        for o in own
    ]
    return np.array([sweep for sweep in sweeps if np.abs(sweep).max() <= 50e3])


def test_every_test_finds_the_tones_in_both_temporal_channels(runs):
    onsets = [
        [o for o in np.flatnonzero((m == 1) & (np.roll(m, 1) != 1)) if o + 13 + LENGTH <= len(m)]
        for _, m in runs
    ]
    for channel in (0, 1):
        sweeps = at_onsets(runs, channel, onsets)
        assert len(sweeps) > 350
        for name in TESTS:
            assert detector(name).looks(sweeps, [len(sweeps)]).pvalue[0] < 1e-3, name


def rate_at_random(runs, channel, rng, n_draws=500, n_onsets=120):
    """Share of draws at random onsets whose calibrated p is at most 5 %."""
    hits = 0
    for _ in range(n_draws):
        onsets = [
            np.sort(rng.integers(0, len(marker) - LENGTH - 13, n_onsets)) for _, marker in runs
        ]
        sweeps = at_onsets(runs, channel, onsets)
        average = sweeps.mean(axis=0)
        hits += average_noise(sweeps).pvalue(np.sum((average - average.mean()) ** 2)) <= 0.05
    return hits / n_draws


def surrogate(runs, rng):
    """The same spectra with random phases: noise of the same length that holds no response."""
    made = []
    for eeg, marker in runs:
        lines = np.fft.rfft(eeg)
        turned = np.abs(lines) * np.exp(2j * np.pi * rng.random(lines.shape))
        made.append((np.fft.irfft(turned, eeg.shape[1]), marker))
    return made


@pytest.mark.long
def test_long_random_onsets_are_found_at_the_nominal_rate(runs):
    """500 draws a channel share 360 s of recording, so their rate scatters more than binomially.

    How much, 16 recordings of the same length and spectra with random phases show: theirs are the
    limits, four of their standard deviations about the nominal 5 %.
    """
    rng = np.random.default_rng(7)
    made = [rate_at_random(surrogate(runs, rng), i % 4, rng, n_draws=200) for i in range(16)]
    spread = np.std(made, ddof=1)
    print(f"\nrandom phases: {np.mean(made):.3f}, SD {spread:.3f}")
    for channel, name in enumerate(CHANNELS):
        rate = rate_at_random(runs, channel, rng)
        print(f"{name}: {rate:.3f}")
        assert abs(rate - 0.05) <= 4 * spread
    assert stats.ttest_1samp(made, 0.05).pvalue > 0.001
