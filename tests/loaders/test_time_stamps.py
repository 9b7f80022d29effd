import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from waveworks.errors import LoadError
from waveworks.loaders.time_stamps import axis_from_stamps, farthest_stamp_ms, rate_from_stamps


@pytest.mark.parametrize("sfreq_hz", [256.0, 1694.46, 20000.0, 48000.0])
@pytest.mark.parametrize("start_ms", [-10.0, 0.0, 3.25])
def test_steady_stamps_give_their_rate_and_no_note(sfreq_hz, start_ms):
    stamps = start_ms + np.arange(400) * 1e3 / sfreq_hz
    axis, notes = axis_from_stamps(stamps, where="a.csv")
    assert axis.sfreq_hz == pytest.approx(sfreq_hz, rel=1e-12)
    assert (axis.start_ms, axis.n_samples) == (start_ms, 400)
    assert notes == ()


def test_rate_is_from_the_span_not_from_the_median_step():
    # 256 Hz rounded to whole ms: 4 ms is the median step, 250 Hz, and the span says 256 Hz.
    stamps = np.round(np.arange(257) * 1e3 / 256)
    assert np.median(np.diff(stamps)) == 4
    sfreq_hz, notes = rate_from_stamps(stamps, where="a.csv")
    assert sfreq_hz == 256
    assert notes == ()


@given(
    st.floats(300, 50000),
    st.integers(10, 500),
    st.integers(0, 4),
    st.sampled_from([np.round, np.trunc]),
)
@example(20000.0, 25, 2, np.trunc)
def test_rounding_alone_is_neither_irregular_nor_refused(sfreq_hz, n, places, rounding):
    # Each stamp is off by at most one unit of the last place; so may be the ends.
    scale = 10.0**places
    stamps = rounding(np.arange(n) * 1e3 / sfreq_hz * scale) / scale
    if stamps[-1] <= stamps[0]:
        return
    axis, notes = axis_from_stamps(stamps, where="a.csv")
    assert axis.n_samples == n
    assert not [note for note in notes if "irregular" in note or "backwards" in note]


def test_stamps_of_six_significant_digits_are_steady():
    # The usual short form of a float: 0.0520833 next to 12.3958, so no one last decimal place.
    stamps = np.array([float(f"{t:.6g}") for t in np.arange(300) * 1e3 / 19200])
    assert axis_from_stamps(stamps, where="a.csv")[1] == ()


def test_stamps_from_a_far_origin_are_steady():
    # Milliseconds since 1970: two neighbouring floats are 0.00024 ms apart.
    stamps = 1.7e12 + np.arange(2000) * 0.05
    sfreq_hz, notes = rate_from_stamps(stamps, where="a.csv")
    assert sfreq_hz == pytest.approx(20000, rel=1e-5)
    assert [note for note in notes if "irregular" in note] == []


def test_backward_repeated_and_irregular_stamps_are_counted():
    stamps = np.array([0.0, 4.0, 8.0, 8.0, 3.0, 20.0, 24.0, 28.0])
    sfreq_hz, notes = rate_from_stamps(stamps, where="a.csv")
    assert sfreq_hz == 250
    assert notes == (
        "a.csv: 1 time stamps run backwards, by up to 5 ms; samples are used in the order of the "
        "file",
        "a.csv: 1 time stamps repeat the one before",
        "a.csv: time stamps are irregular, up to 13 ms from a steady 250 Hz (steps from -5 to 17 "
        "ms)",
    )


def test_farthest_stamp_by_hand():
    # Steady between 0 and 4 is 0, 1, 2, 3, 4.
    assert farthest_stamp_ms(np.array([0, 1.25, 1.5, 3, 4])) == 0.5


def test_a_stamp_more_than_half_a_step_off_is_refused():
    stamps = np.array([0, 0.05, 0.1, 0.18, 0.2])
    with pytest.raises(LoadError, match=r"a\.csv: a time stamp lies 0\.03 ms .* 0\.025 ms"):
        axis_from_stamps(stamps, where="a.csv")


def test_a_stamp_less_than_half_a_step_off_is_noted():
    axis, notes = axis_from_stamps(np.array([0, 0.05, 0.1, 0.17, 0.2]), where="a.csv")
    assert axis.sfreq_hz == pytest.approx(20000)
    assert len(notes) == 1
    assert "up to 0.02 ms from a steady 20000 Hz" in notes[0]


def test_swapped_samples_are_refused_even_if_the_stamps_are_whole_steps():
    # Rounding to whole ms could move a stamp by 1 ms, but cannot put 3 before 2.
    with pytest.raises(LoadError, match="lies 1 ms from a steady 1000 Hz"):
        axis_from_stamps(np.array([0.0, 1, 3, 2, 4]), where="a.csv")


@pytest.mark.parametrize(
    ("stamps", "message"),
    [
        ([], "0 time stamp; at least 2"),
        ([1.0], "1 time stamp; at least 2"),
        ([1.0, 1.0], "last time stamp, 1 ms, is not later than the first, 1 ms"),
        ([3.0, 2.0, 1.0], "last time stamp, 1 ms, is not later than the first, 3 ms"),
    ],
)
def test_stamps_without_a_rate_are_refused(stamps, message):
    with pytest.raises(LoadError, match=f"^a.csv: .*{message}"):
        rate_from_stamps(np.array(stamps), where="a.csv")
