"""Disturbances against what they are said to be, by hand or by sampling theory; seeds are fixed."""

import math

import numpy as np
import pytest
from scipy import signal, stats

from waveworks.errors import DataError
from waveworks.simulate.disturbances import (
    Artefact,
    Bursts,
    Microphonic,
    Muscle,
    polarity_signs,
)

TIMES_MS = np.arange(-120, 300) / 12.0  # -10 to 25 ms at 12 kHz


def runs_of(flags):
    """Return the lengths of the runs of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return np.diff(edges)[::2]


def test_a_burst_lasts_as_long_as_said_and_the_rest_is_untouched():
    factors = Bursts(chance=0.01, length_sweeps=5, factor=7.0).factors(
        20_000, np.random.default_rng(1)
    )
    assert set(factors) == {1.0, 7.0}
    lengths = runs_of(factors == 7.0)
    # Bursts that meet become one, so none is shorter; the last may be cut by the end.
    assert lengths[:-1].min() == 5
    assert lengths.max() > 5


def test_bursts_begin_with_the_chance_that_was_given():
    n, chance, length = 200_000, 0.01, 5
    factors = Bursts(chance=chance, length_sweeps=length).factors(n, np.random.default_rng(2))
    # A sweep is quiet if none of the last five began a burst; sums over five sweeps correlate.
    quiet = (1 - chance) ** length
    error = math.sqrt(quiet * (1 - quiet) / n * (2 * length))
    assert np.mean(factors == 1.0) == pytest.approx(quiet, abs=4.5 * error)


@pytest.mark.parametrize(("chance", "expected"), [(0.0, 1.0), (1.0, 3.0)])
def test_bursts_never_or_always(chance, expected):
    bursts = Bursts(chance=chance, length_sweeps=50, factor=3.0)
    assert (bursts.factors(20, np.random.default_rng(3)) == expected).all()


def test_the_artefact_begins_at_its_peak_and_decays_at_the_stimulus_frequency():
    artefact = Artefact(peak_nv=1000.0, decay_ms=2.0)
    trace = artefact.trace(TIMES_MS, 1000.0)
    assert (trace[TIMES_MS < 0] == 0).all()
    at = dict(zip(np.round(TIMES_MS, 6), trace, strict=True))
    # Whole and half periods of 1 ms, by hand: 1000 exp(-t / 2), turned at the halves.
    for time_ms, sign in ((0.0, 1), (0.5, -1), (1.0, 1), (2.0, 1), (3.5, -1)):
        assert at[time_ms] == pytest.approx(sign * 1000 * math.exp(-time_ms / 2), rel=1e-12)
    assert np.abs(trace).max() == 1000.0


@pytest.mark.parametrize("frequency_hz", [500.0, 1000.0, 4000.0])
def test_artefact_and_microphonic_have_the_frequency_of_the_stimulus(frequency_hz):
    for trace in (
        Artefact(decay_ms=2.0).trace(TIMES_MS, frequency_hz),
        Microphonic().trace(TIMES_MS, frequency_hz),
    ):
        frequencies, power = signal.periodogram(trace, 12_000.0, nfft=12_000)
        assert frequencies[np.argmax(power)] == pytest.approx(frequency_hz, rel=0.04)


def test_the_microphonic_is_early_and_has_the_height_that_was_given():
    trace = Microphonic(peak_nv=150.0).trace(TIMES_MS, 4000.0)
    assert trace.max() == pytest.approx(150.0, rel=1e-12)
    assert TIMES_MS[np.argmax(trace)] == pytest.approx(2.0)
    assert (trace[TIMES_MS < 0] == 0).all()
    assert np.abs(trace[TIMES_MS > 6]).max() < 1e-4


def test_the_muscle_response_has_its_phases_where_they_are_said_to_be():
    fine = np.arange(0, 30, 0.001)
    trace = Muscle(swing_nv=600.0).trace(fine)
    # The phases hardly overlap: 1.5 % of each reaches the middle of the other.
    assert np.ptp(trace) == pytest.approx(600.0, rel=0.03)
    assert fine[np.argmax(trace)] == pytest.approx(13.5, abs=0.1)
    assert fine[np.argmin(trace)] == pytest.approx(16.5, abs=0.1)
    power = np.cumsum(trace**2) / np.sum(trace**2)
    low, high = np.interp([0.05, 0.95], power, fine)
    assert low > 12
    assert high < 18


def test_polarity_turns_from_sweep_to_sweep():
    assert polarity_signs("alternating", 5).tolist() == [1, -1, 1, -1, 1]
    assert polarity_signs("condensation", 3).tolist() == [-1, -1, -1]
    assert polarity_signs("rarefaction", 2).tolist() == [1, 1]
    assert polarity_signs(None, 2).tolist() == [1, 1]


@pytest.mark.parametrize(
    ("polarity", "n_sweeps", "message"),
    [
        ("both", 3, "polarity is 'both'; it must be one of rarefaction, condensation, alternating"),
        ("alternating", 0, "n_sweeps is 0; at least 1 is needed"),
    ],
)
def test_what_polarity_refuses(polarity, n_sweeps, message):
    with pytest.raises(DataError, match=message):
        polarity_signs(polarity, n_sweeps)


def test_bursts_start_independently():
    """Times between the starts of separate bursts are geometric (independent sweeps)."""
    flags = Bursts(chance=0.02, length_sweeps=1).factors(100_000, np.random.default_rng(4)) > 1
    waits = np.diff(np.flatnonzero(flags)) - 1
    edges = np.array([0, 10, 20, 40, 80, 160, np.inf])
    observed = np.histogram(waits, edges)[0]
    expected = waits.size * np.diff(1 - 0.98**edges)
    assert stats.chisquare(observed, expected).pvalue > 1e-4
