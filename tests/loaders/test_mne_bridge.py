"""Out to mne and back: rounded once each way, checked with fractions and by mne's averages."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mne
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from waveworks.errors import DataError
from waveworks.loaders.mne_bridge import from_mne_epochs, to_mne_epochs, to_mne_evoked
from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    Condition,
    Counts,
    Recording,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.pipeline import analyse

SFREQ_HZ = 12000.0
CLICK = Condition("right", "insert", "click", level_db_nhl=40.0, channel="Cz-M2")
AMPLITUDES_NV = arrays(
    np.float64,
    (3, 4),
    elements=st.one_of(st.just(0.0), st.floats(1e-3, 1e9), st.floats(-1e9, -1e-3)),
)


def sweeps(n_sweeps=40, n_samples=60, *, start_ms=-1.0, seed=1):
    values_nv = np.random.default_rng(seed).normal(scale=8000.0, size=(n_sweeps, n_samples))
    return Sweeps(values_nv, TimeAxis(SFREQ_HZ, start_ms, n_samples))


def recording(waveforms, layout="sweeps", **fields):
    return Recording(
        name="R40a", kind="test", layout=layout, condition=CLICK, waveforms=waveforms, **fields
    )


def mne_epochs(data_v=None, *, types=("eeg",), names=None, tmin=0.0, **fields):
    """Epochs as a user of mne would make them: 5 of 8 samples."""
    if data_v is None:
        data_v = np.random.default_rng(2).normal(scale=1e-5, size=(5, len(types), 8))
    names = [f"E{i}" for i in range(len(types))] if names is None else names
    info = mne.create_info(list(names), SFREQ_HZ, list(types))
    return mne.EpochsArray(data_v, info, tmin=tmin, verbose="ERROR", **fields)


def continuous(n_samples=3020, amplitude_v=1e-6):
    """A continuous channel, and 30 events, one every 100 samples."""
    values = np.random.default_rng(3).uniform(-amplitude_v, amplitude_v, size=(1, n_samples))
    events = np.column_stack([np.arange(50, 3000, 100), np.zeros(30), np.ones(30)])
    return values, mne.create_info(["Cz"], SFREQ_HZ, "eeg"), events.astype(int)


def cut(values, info, events, *, event_id=1, **fields):
    raw = mne.io.RawArray(values, info, verbose="ERROR")
    options = {"tmin": 0.0, "tmax": 59 / SFREQ_HZ, "baseline": None, "verbose": "ERROR"}
    return mne.Epochs(raw, events, event_id, **{**options, **fields})


# Samples


@settings(max_examples=50, deadline=None)
@given(AMPLITUDES_NV)
def test_volts_are_the_nearest_numbers_to_the_exact_quotient(values_nv):
    volts = to_mne_epochs(Sweeps(values_nv, TimeAxis(SFREQ_HZ, 0.0, 4))).get_data()[:, 0]
    exact = [[float(Fraction(nv) / 10**9) for nv in sweep] for sweep in values_nv.tolist()]
    np.testing.assert_array_equal(volts, exact)


@settings(max_examples=50, deadline=None)
@given(AMPLITUDES_NV)
def test_nanovolts_are_the_nearest_numbers_to_the_exact_product(values_nv):
    volts = values_nv * 1e-9
    found_nv = from_mne_epochs(mne_epochs(volts[:, np.newaxis])).data.sweeps_nv
    exact = [[float(Fraction(v) * 10**9) for v in sweep] for sweep in volts.tolist()]
    np.testing.assert_array_equal(found_nv, exact)


@settings(max_examples=50, deadline=None)
@given(AMPLITUDES_NV)
def test_a_trip_errs_by_one_unit_in_the_last_place_and_a_second_one_by_nothing(values_nv):
    there = Sweeps(values_nv, TimeAxis(SFREQ_HZ, 0.0, 4))
    once = from_mne_epochs(to_mne_epochs(there)).data
    twice = from_mne_epochs(to_mne_epochs(once)).data
    assert (np.abs(once.sweeps_nv - values_nv) <= np.spacing(np.abs(values_nv))).all()
    np.testing.assert_array_equal(twice.sweeps_nv, once.sweeps_nv)


def test_volts_come_back_within_one_unit_in_the_last_place():
    epochs = mne_epochs(np.random.default_rng(4).normal(scale=1e-5, size=(300, 1, 200)))
    volts, back = epochs.get_data(), to_mne_epochs(from_mne_epochs(epochs)).get_data()
    assert (np.abs(back - volts) <= np.spacing(np.abs(volts))).all()


def test_nanovolts_are_those_of_mne():
    epochs = mne_epochs(types=("eeg", "eeg"))
    found = from_mne_epochs(epochs, "E1").data.sweeps_nv
    np.testing.assert_array_equal(found, epochs.get_data(picks=["E1"], units="nV")[:, 0])


def test_the_epochs_of_the_caller_stay_as_they_were():
    epochs = cut(*continuous())
    from_mne_epochs(epochs)
    assert not epochs.preload
    loaded = mne_epochs()
    before = loaded.get_data().copy()
    from_mne_epochs(loaded)
    np.testing.assert_array_equal(loaded.get_data(copy=False), before)


# Time


# -3 samples at 12 kHz are -0.25 ms; mne begins there by itself.
def test_a_start_on_the_grid_has_the_times_of_mne():
    made = to_mne_epochs(sweeps(start_ms=-0.25))
    np.testing.assert_array_equal(made.times, np.arange(-3, 57) / SFREQ_HZ)
    assert made.info["sfreq"] == SFREQ_HZ
    assert made.baseline is None


@pytest.mark.parametrize("start_ms", [-0.9, 0.01, 7 / 12 - 0.04, -1e3 / 12 - 0.9])
def test_a_start_off_the_grid_is_not_rounded_to_it(start_ms):
    given_ms = start_ms + np.arange(60) / 12
    there = sweeps(start_ms=start_ms)
    made = to_mne_epochs(there)
    np.testing.assert_allclose(made.times, given_ms / 1e3, rtol=0, atol=1e-15)
    np.testing.assert_allclose(to_mne_evoked(there).times, given_ms / 1e3, rtol=0, atol=1e-15)
    back = from_mne_epochs(made).data.axis
    assert back.n_samples == 60
    assert back.sfreq_hz == SFREQ_HZ
    assert back.start_ms == pytest.approx(start_ms, rel=3e-16)
    # The average that mne makes of them begins there too.
    np.testing.assert_allclose(made.average().times, given_ms / 1e3, rtol=0, atol=1e-15)


def test_the_earphone_delay_is_taken_off_the_time_axis():
    axis = from_mne_epochs(mne_epochs(tmin=-2 / SFREQ_HZ), earphone_delay_ms=0.9).data.axis
    np.testing.assert_allclose(axis.times_ms, np.arange(-2, 6) / 12 - 0.9, rtol=0, atol=1e-12)


def test_a_decimated_signal_has_its_own_rate():
    epochs = mne_epochs(tmin=-2 / SFREQ_HZ)
    axis = from_mne_epochs(epochs.copy().decimate(2, verbose="ERROR")).data.axis
    np.testing.assert_allclose(axis.times_ms, np.arange(-2, 6, 2) / 12, rtol=0, atol=1e-12)


# Averages: mne averages in V, another road


def assert_same_evoked(made, other):
    np.testing.assert_allclose(made.data, other.data, rtol=0, atol=1e-13 * np.abs(other.data).max())
    np.testing.assert_allclose(made.times, other.times, rtol=0, atol=1e-15)
    assert made.nave == other.nave
    assert made.kind == other.kind == "average"
    assert made.baseline is None


def test_the_average_of_sweeps_is_that_of_mne():
    made = to_mne_evoked(recording(sweeps()))
    assert_same_evoked(made, to_mne_epochs(sweeps()).average())
    assert made.nave == 40
    assert made.comment == "R40a"
    assert made.ch_names == ["Cz-M2"]


@pytest.mark.parametrize("layout", ["blocks", "buffers"])
def test_parts_count_by_their_sweeps_as_in_mne(layout):
    part = sweeps(2, seed=5)
    a, b = part.sweeps_nv
    waveforms = (
        Blocks(part.sweeps_nv, (30, 10), part.axis)
        if layout == "blocks"
        else Buffers(a, b, 30, 10, part.axis)
    )
    each = [to_mne_evoked(Average(x, n, part.axis)) for x, n in ((a, 30), (b, 10))]
    made = to_mne_evoked(recording(waveforms, layout))
    assert_same_evoked(made, mne.combine_evoked(each, weights="nave"))
    assert made.nave == 40


def test_an_average_goes_over_as_it_is():
    trace_nv = np.array([100.0, -250.0, 3.0])
    made = to_mne_evoked(Average(trace_nv, 2000, TimeAxis(SFREQ_HZ, 0.0, 3)))
    np.testing.assert_array_equal(made.data, [[1e-7, -2.5e-7, 3e-9]])
    assert made.nave == 2000


def test_the_number_of_sweeps_is_looked_up_or_refused():
    average = Average(np.ones(3), None, TimeAxis(SFREQ_HZ, 0.0, 3))
    assert to_mne_evoked(recording(average, "average", counts=Counts(1500))).nave == 1500
    with pytest.raises(DataError, match=r"number of sweeps is not known.*state n_sweeps"):
        to_mne_evoked(average)


# Events, rejected sweeps and what mne did


def test_events_are_numbered_and_named_after_the_recording():
    made = to_mne_epochs(recording(sweeps(4)))
    np.testing.assert_array_equal(made.events, [[0, 0, 1], [1, 0, 1], [2, 0, 1], [3, 0, 1]])
    assert made.event_id == {"R40a": 1}
    assert made.get_channel_types() == ["eeg"]
    assert made.info["description"] == "R40a: right, insert, click, 40 dB nHL, Cz-M2"


def test_events_of_mne_can_be_handed_through():
    values, info, events = continuous()
    events[1::2, 2] = 2
    epochs = cut(values, info, events, event_id={"rarefaction": 1, "condensation": 2})
    back = to_mne_epochs(from_mne_epochs(epochs), events=epochs.events, event_id=epochs.event_id)
    np.testing.assert_array_equal(back.events, epochs.events)
    for name in ("rarefaction", "condensation"):
        np.testing.assert_allclose(
            back[name].get_data(), epochs[name].get_data(), rtol=3e-16, atol=0
        )


@pytest.mark.parametrize(
    ("events", "event_id", "fault"),
    [
        (np.ones((3, 3), int), None, r"events have shape \(3, 3\); 4 sweeps need \(4, 3\)"),
        (np.ones((4, 3)), None, "array of integers"),
        (np.ones((4, 3), int), None, "not unique"),
        (np.array([[0, 0, 1], [1, 0, 1], [2, 0, 1], [3, 0, 2]]), {"one": 1}, "mne refuses them"),
    ],
)
def test_events_that_do_not_fit_are_refused(events, event_id, fault):
    with pytest.raises(DataError, match=fault):
        to_mne_epochs(sweeps(4), events=events, event_id=event_id)


def test_sweeps_that_mne_rejected_are_counted():
    values, info, events = continuous(amplitude_v=1e-6)
    for stimulus in (3, 7, 20):
        values[0, events[stimulus, 0] + 5] = 1e-3
    epochs = cut(values, info, events, reject={"eeg": 1e-4})
    found = from_mne_epochs(epochs)
    assert found.counts == Counts(27, 3)
    assert found.data.n_sweeps == 27
    kept = np.delete(events[:, 0], [3, 7, 20])
    by_hand = np.stack([values[0, onset : onset + 60] for onset in kept])
    np.testing.assert_array_equal(found.data.sweeps_nv, by_hand * 1e9)
    assert from_mne_epochs(epochs.load_data()).counts == Counts(27, 3)


def test_no_rejection_is_zero_only_where_there_was_a_limit():
    assert from_mne_epochs(cut(*continuous())).counts == Counts(30, None)
    assert from_mne_epochs(cut(*continuous(), reject={"eeg": 1.0})).counts == Counts(30, 0)


def test_sweeps_that_were_not_chosen_or_not_recorded_are_no_rejected_ones():
    values, info, events = continuous()
    events = np.vstack([events, [3000, 0, 1]])
    events[:5, 2] = 2
    epochs = cut(values, info, events).load_data()
    epochs.drop([0, 1], verbose="ERROR")
    found = from_mne_epochs(epochs)
    assert found.counts == Counts(31 - 5 - 1 - 2, 2)
    assert found.notes == (
        "events without a sweep that do not count as rejected: 5 IGNORED, 1 TOO_SHORT",
    )


def test_rejected_sweeps_stand_in_the_drop_log():
    there = recording(sweeps(), counts=Counts(40, 7, n_rejected_here=2))
    made = to_mne_epochs(there)
    assert len(made) == 40
    assert made.drop_log_stats() == pytest.approx(100 * 9 / 49)
    assert from_mne_epochs(made).counts == Counts(40, 9)


def test_events_taken_together_are_noted():
    values, info, events = continuous()
    events[:12, 2] = 2
    epochs = cut(values, info, events, event_id={"up": 1, "down": 2})
    assert from_mne_epochs(epochs).notes == (
        "sweeps of several events together: 18 'up', 12 'down'",
    )
    assert from_mne_epochs(epochs).condition.condition == "up, down"
    one = from_mne_epochs(epochs["down"])
    assert one.data.n_sweeps == 12
    assert one.condition.condition == "down"


def test_what_mne_did_to_the_sweeps_is_noted():
    values, info, events = continuous()
    info["bads"] = ["Cz"]
    epochs = cut(values, info, events, tmin=-12 / SFREQ_HZ, baseline=(None, 0), detrend=0)
    assert from_mne_epochs(epochs, "Cz").notes == (
        "mne subtracted the mean from -1 to 0 ms of each sweep",
        "mne removed a trend of order 0 from each sweep",
        "channel 'Cz' is marked as bad in mne",
    )


def test_filter_corners_are_taken_where_mne_knows_them():
    values, info, events = continuous()
    assert from_mne_epochs(cut(values, info, events)).condition == Condition(
        "other", "other", "other", channel="Cz", condition="1"
    )
    raw = mne.io.RawArray(values, info, verbose="ERROR").filter(100, 3000, verbose="ERROR")
    epochs = mne.Epochs(raw, events, 1, 0.0, 0.004, baseline=None, verbose="ERROR")
    condition = from_mne_epochs(epochs).condition
    assert (condition.highpass_hz, condition.lowpass_hz) == (100.0, 3000.0)


def test_a_projection_must_be_applied_and_is_noted():
    epochs = mne_epochs(types=("eeg", "eeg", "emg"), proj=False)
    epochs.set_eeg_reference(projection=True, verbose="ERROR")
    with pytest.raises(DataError, match=r"'E0' is not applied: 'Average EEG.*apply_proj\(\)"):
        from_mne_epochs(epochs, "E0")
    assert from_mne_epochs(epochs, "E2").notes == ()
    found = from_mne_epochs(epochs.apply_proj(verbose="ERROR"), "E0")
    assert found.notes == ("mne applied 'Average EEG reference'",)
    np.testing.assert_array_equal(
        found.data.sweeps_nv, epochs.get_data(picks=["E0"], units="nV")[:, 0]
    )


# Use in a session


def test_sweeps_of_mne_are_analysed_like_any_others():
    epochs = to_mne_epochs(recording(sweeps(200, 300, start_ms=0.0), counts=Counts(200, 11)))
    found = from_mne_epochs(epochs, name="from mne", condition=CLICK)
    measures = analyse(Session(folder=Path(), info=SessionInfo("s"), recordings=(found,))).measures
    row = measures.iloc[0]
    assert (row["recording"], row["n_sweeps"], row["n_rejected"]) == ("from mne", 200, 11)
    assert row["level_db_nhl"] == 40.0
    # Noise of the average, in the noise window: the standard error over sweeps (common practice).
    axis = found.data.axis
    values_nv = found.data.sweeps_nv[:, axis.window(row["noise_start_ms"], row["noise_stop_ms"])]
    expected_nv = np.sqrt(values_nv.var(axis=0, ddof=1).mean() / 200)
    assert row["rn_nv"] == pytest.approx(expected_nv, rel=1e-12)


# Refusals


@pytest.mark.filterwarnings("ignore:All epochs were dropped")
@pytest.mark.parametrize(
    ("make", "channel", "fault"),
    [
        (lambda: mne_epochs(types=("eeg", "eeg", "stim")), None, "several.*: 'E0', 'E1'; name"),
        (lambda: mne_epochs(types=("stim", "misc")), None, "no channel holds a volt.*'E0', 'E1'"),
        (lambda: mne_epochs(), "Cz", "channel 'Cz' is not there; they hold 'E0'"),
        (lambda: mne_epochs(types=("eeg", "mag")), "E1", "channel 'E1' is of type 'mag'"),
        (lambda: mne_epochs(types=("eeg", "stim")), "E1", "channel 'E1' is of type 'stim'"),
        (lambda: mne_epochs(np.full((3, 1, 8), np.nan)), None, "not finite"),
        (lambda: mne_epochs(np.full((3, 1, 8), np.inf)), None, "not finite"),
        (lambda: mne_epochs(np.full((3, 1, 8), 1j)), None, "channel 'E0' is complex"),
        (lambda: mne_epochs()[:1], None, "1 given, at least 2 are needed"),
        (lambda: cut(*continuous(), reject={"eeg": 1e-12}), None, "0 given, at least 2"),
        (lambda: mne_epochs().average(), None, "needs epochs of mne, not EvokedArray"),
        (lambda: np.zeros((3, 8)), None, "needs epochs of mne, not ndarray"),
    ],
)
def test_what_is_no_channel_of_sweeps_is_refused(make, channel, fault):
    with pytest.raises(DataError, match=fault) as caught:
        from_mne_epochs(make(), channel)
    assert "\n" not in str(caught.value)


def test_a_stimulus_line_beside_the_channel_needs_no_name():
    assert from_mne_epochs(mne_epochs(types=("stim", "eeg"))).condition.channel == "E1"


@pytest.mark.parametrize("convert", [to_mne_epochs, to_mne_evoked])
def test_a_recording_without_data_says_why(convert):
    broken = replace(recording(None), problem="one.csv: cannot be read")
    with pytest.raises(DataError, match=r"one\.csv: cannot be read"):
        convert(broken)
    with pytest.raises(DataError, match=r"needs a recording or its waveforms, not ndarray"):
        convert(np.zeros((3, 4)))


def test_an_average_makes_no_epochs():
    average = Average(np.ones(3), 10, TimeAxis(SFREQ_HZ, 0.0, 3))
    with pytest.raises(DataError, match="needs sweeps; these are average"):
        to_mne_epochs(average)
