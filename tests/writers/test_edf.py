"""EDF files that are written here, read raw, by pyedflib, by mne and by the loader.

"The standard" is EDF+: Kemp B, Olivan J (2003), Clin Neurophysiol 114:1755-1761,
https://www.edfplus.info/specs/edfplus.html.
"""

import mne
import numpy as np
import pyedflib
import pytest

from waveworks.errors import DataError, OutputError
from waveworks.loaders.edf import read_edf_signals
from waveworks.loaders.edf_header import read_header
from waveworks.writers.edf import write_edf


@pytest.fixture
def path(tmp_path):
    return tmp_path / "right-40.edf"


def traces(n_traces, n_samples, largest_nv=300.0, seed=1):
    return largest_nv * np.random.default_rng(seed).uniform(-1, 1, (n_traces, n_samples))


def by_pyedflib(path):
    with pyedflib.EdfReader(str(path)) as reader:
        assert {reader.getPhysicalDimension(i) for i in range(reader.signals_in_file)} == {"uV"}
        return 1e3 * np.array([reader.readSignal(i) for i in range(reader.signals_in_file)])


def by_mne(path):
    return 1e9 * mne.io.read_raw_edf(path, preload=True, verbose="ERROR").get_data()


def by_the_loader(path):
    return read_edf_signals(path, name="x.edf").values_nv


READERS = pytest.mark.parametrize("read", [by_pyedflib, by_mne, by_the_loader])


def assert_within_half_a_step(found_nv, given_nv, steps_nv):
    """Compare with a rounding error of at most half a step; 1e-9 of the value is float noise."""
    half = 0.5 * np.array(steps_nv)[:, np.newaxis] * (1 + 1e-6)
    assert np.all(np.abs(found_nv - given_nv) <= half + 1e-9 * np.abs(given_nv).max())


# --- the bytes -----------------------------------------------------------------------------------


# Offsets and widths for two signals: the standard, as laid out in its example of 768 bytes.
def test_the_header_lies_where_the_standard_puts_it(path):
    a = np.linspace(-10_000, 10_000, 500)
    write_edf(path, ("a", "b"), np.stack([a, 0.5 * a + 5_000]), 25_000.0)
    raw = path.read_bytes()

    def at(start, width):
        return raw[start : start + width].decode("ascii").rstrip(" ")

    fixed = {
        (0, 8): "0",
        (8, 80): "X X X X",  # the anonymous forms of EDF+
        (88, 80): "Startdate X X X X",
        (168, 8): "01.01.85",
        (176, 8): "00.00.00",
        (184, 8): "768",
        (192, 44): "",
        (236, 8): "1",
        (244, 8): "0.02",  # 500 samples at 25 kHz
        (252, 4): "2",
    }
    assert {place: at(*place) for place in fixed} == fixed
    assert [at(256, 16), at(272, 16)] == ["a", "b"]
    assert [at(288, 80), at(368, 80)] == ["", ""]
    assert [at(448, 8), at(456, 8)] == ["uV", "uV"]
    assert [float(at(464, 8)), float(at(472, 8))] == [-10, 0]
    assert [float(at(480, 8)), float(at(488, 8))] == [10, 10]
    assert [at(496, 8), at(504, 8)] == ["-32768", "-32768"]
    assert [at(512, 8), at(520, 8)] == ["32767", "32767"]
    assert [at(528, 80), at(608, 80)] == ["", ""]
    assert [at(688, 8), at(696, 8)] == ["500", "500"]
    assert at(704, 64) == ""
    # 16-bit little-endian two's complement, one signal after the other.
    samples = np.frombuffer(raw[768:], dtype="<i2")
    assert samples.size == 1000
    assert samples[[0, 499, 500, 999]].tolist() == [-32768, 32767, -32768, 32767]


# The standard: file size is header + records x 2 x samples; here 768 + 1 x 2 x (400 + 400).
def test_the_file_has_the_size_of_the_standard(path):
    write_edf(path, ("a", "b"), traces(2, 400), 16_000.0)
    assert path.stat().st_size == 768 + 1600


def test_header_text_is_printable_ascii_of_plain_numbers(path):
    values = np.stack([traces(1, 300, x)[0] for x in (1e-5, 0.3, 1e4, 9.9e8)])
    write_edf(path, ("a", "b", "c", "d"), values, 12_000.0)
    raw = path.read_bytes()[: 256 * 5]
    assert all(32 <= byte <= 126 for byte in raw)
    numbers = raw[256 + 4 * (16 + 80 + 8) : 256 + 4 * (16 + 80 + 8 * 5)]
    assert not set(numbers.decode()) - set("0123456789.- ")


# --- what is read back ---------------------------------------------------------------------------


# Step 2R / 65535 of a symmetric range +-R: computed for the reference notes from the standard.
@pytest.mark.parametrize(
    ("range_uv", "step_nv"), [(10, 0.3052), (25, 0.7630), (100, 3.0518), (500, 15.26)]
)
def test_the_quantisation_step(path, range_uv, step_nv):
    values = traces(2, 1000, 1e3 * range_uv)
    values[:, 0], values[:, 1] = 1e3 * range_uv, -1e3 * range_uv
    steps = write_edf(path, ("a", "b"), values, 20_000.0)
    assert steps == pytest.approx([step_nv] * 2, rel=2e-4)
    levels = np.unique(np.abs(np.diff(np.sort(by_pyedflib(path)[0]))))
    assert levels[levels > 1e-6][0] == pytest.approx(steps[0], rel=1e-6)


@READERS
@pytest.mark.parametrize("largest_nv", [1e-3, 0.05, 7.0, 330.0, 1234.5678, 25_000.0, 3e6, 9.9e8])
def test_values_are_read_back_within_half_a_step(path, read, largest_nv):
    values = traces(3, 300, largest_nv) + largest_nv * np.array([[0.0], [0.01], [0.0]])
    values[2] = np.abs(values[2]) * 0.5 + 0.1 * largest_nv
    steps = write_edf(path, ("a", "b", "c"), values, 12_000.0)
    found = read(path)
    assert_within_half_a_step(found, values, steps)
    # The steps are those of 16 bits over the range of the values, rounded outwards to 8 characters.
    coarsest = np.maximum(0.2, 1e-4 * largest_nv)
    assert np.all(np.array(steps) * 65535 <= np.ptp(values, axis=1) + coarsest)


# A file of +-1 uV: half a step is 1.5259e-5 uV (measured for the reference notes with edfio).
def test_the_rounding_error_reaches_half_a_step_and_no_more(path):
    values = traces(1, 20_000, 1000.0)
    values[0, :2] = -1000, 1000
    write_edf(path, ("a",), values, 20_000.0)
    worst_uv = np.abs(by_pyedflib(path) - values).max() / 1e3
    assert worst_uv == pytest.approx(1.5259e-5, rel=1e-3)


@READERS
@pytest.mark.parametrize("level_nv", [0.0, -0.0, 5.0, -123.456, 1e-9, 1e6])
def test_a_flat_signal_is_written(path, read, level_nv):
    steps = write_edf(path, ("flat",), np.full((1, 300), level_nv), 12_000.0)
    assert 0 < steps[0] < 0.01
    assert_within_half_a_step(read(path), np.full((1, 300), level_nv), steps)


def test_the_labels_and_the_rate_are_read_back(path):
    write_edf(path, ("average", "RN band"), traces(2, 300), 12_000.0)
    found = read_edf_signals(path, name="x.edf", start_ms=-5.0)
    assert found.labels == ("average", "RN band")
    assert found.axis.sfreq_hz == pytest.approx(12_000.0, rel=1e-12)
    with pyedflib.EdfReader(str(path)) as reader:
        assert reader.getSignalLabels() == ["average", "RN band"]
        assert reader.getSampleFrequencies().tolist() == [12_000, 12_000]


def test_each_sweep_is_a_record(path):
    sweeps = traces(37, 300, 20_000.0)
    steps = write_edf(path, ("Cz",), sweeps, 12_000.0, records_as_sweeps=True)
    assert len(steps) == 1
    assert path.read_bytes()[236:252] == b"37      0.025   "
    assert_within_half_a_step(by_pyedflib(path).reshape(37, 300), sweeps, steps)
    found = read_edf_signals(path, name="x.edf", records_as_sweeps=True)
    assert_within_half_a_step(found.values_nv, sweeps, steps)


def test_no_identity_is_written(path):
    write_edf(path, ("a",), traces(1, 300), 12_000.0)
    with pyedflib.EdfReader(str(path)) as reader:
        assert reader.getPatientName() == ""
        assert reader.getPatientCode() == ""
        assert reader.getStartdatetime().isoformat() == "1985-01-01T00:00:00"
    assert read_header(path.read_bytes(), name="x.edf").kind == "EDF"


def test_read_only_and_strided_input_is_left_alone(path):
    values = traces(4, 600)
    before = values.copy()
    values.setflags(write=False)
    steps = write_edf(path, ("a", "b"), values[::2, ::2], 12_000.0)
    assert_within_half_a_step(by_pyedflib(path), before[::2, ::2], steps)
    np.testing.assert_array_equal(values, before)


def test_writing_is_silent_and_overwrites(path, capfd):
    path.write_text("an older file", encoding="ascii")
    write_edf(path, ("a",), traces(1, 300), 12_000.0)
    assert capfd.readouterr() == ("", "")
    assert read_edf_signals(path, name="x.edf").axis.n_samples == 300


# --- the record duration -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_samples", "sfreq_hz", "text"),
    [
        (500, 25_000.0, b"0.02"),  # the standard's own example of a rate that is exact
        (300, 12_000.0, b"0.025"),
        (401, 20_000.0, b"0.02005"),
        (401, 12_000.0, b"0.033417"),  # a shift of 0.004 of a step counts as none
        (1024, 40_000.0, b"0.0256"),
        (256, 512.0, b"0.5"),
        (10_000, 1000.0, b"10"),
        (300, 299 / 24.9167e-3, b"0.025"),  # the rate of 300 stamps rounded to 0.0001 ms
    ],
)
def test_an_exact_record_duration_is_stated(path, n_samples, sfreq_hz, text):
    write_edf(path, ("a",), traces(1, n_samples), sfreq_hz)
    assert float(path.read_bytes()[244:252]) == float(text)


# 2001 samples at 96 kHz last 0.02084375 s, and 8 characters hold 0.020844: 0.25 us x 96 kHz.
def test_a_record_duration_that_does_not_fit_is_refused_with_the_numbers(path):
    with pytest.raises(OutputError) as caught:
        write_edf(path, ("a",), traces(1, 2001), 96_000.0)
    assert str(caught.value) == (
        "right-40.edf: 2001 samples at 96000 Hz last 0.02084375 s; the 8 characters of EDF state "
        "0.020844 s, which is 95998.8486 Hz and moves the last sample by 0.024 of a sample step; "
        "the limit is 0.01"
    )
    assert not path.exists()


@pytest.mark.parametrize("sfreq_hz", [1e8, 1e12])
def test_a_record_that_is_too_short_is_refused(path, sfreq_hz):
    with pytest.raises(OutputError, match=r"s is too short; EDF can state 0.0001 s or more"):
        write_edf(path, ("a",), traces(1, 300), sfreq_hz)


@pytest.mark.parametrize("sfreq_hz", [0.0, -1.0, np.nan, np.inf])
def test_an_impossible_rate_is_refused(path, sfreq_hz):
    with pytest.raises(DataError, match="sampling rate is"):
        write_edf(path, ("a",), traces(1, 300), sfreq_hz)


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        (("a",), "1 labels for 2 signals"),
        (("a", "a"), "labels must differ: a, a"),
        (("a", ""), "label '' must be printable ASCII"),
        (("a", " b"), "label ' b' must be printable ASCII without outer spaces"),
        (("a", "µ"), "label 'µ' must be printable ASCII"),
        (("a", "b\n"), "must be printable ASCII"),
        (("a", "seventeen letters"), "has 17 characters; EDF allows 16"),
        (("a", "EDF Annotations"), "is kept for annotations in EDF+"),
    ],
)
def test_unusable_labels_are_refused(path, labels, words):
    with pytest.raises(OutputError, match=r"^right-40\.edf: ") as caught:
        write_edf(path, labels, traces(2, 300), 12_000.0)
    assert words in str(caught.value)


# The standard: a record has at most 61440 bytes, which is 30720 samples.
def test_a_record_has_at_most_61440_bytes(path):
    write_edf(path, ("a", "b"), traces(2, 15_360), 15_360.0)
    assert by_pyedflib(path).shape == (2, 15_360)
    with pytest.raises(OutputError, match="2 x 15361 samples has 61444 bytes; EDF allows 61440"):
        write_edf(path, ("a", "b"), traces(2, 15_361), 15_361.0)
    write_edf(path, ("a",), traces(60, 1000), 10_000.0, records_as_sweeps=True)
    assert by_pyedflib(path).shape == (1, 60_000)


def test_an_amplitude_beyond_the_header_is_refused(path):
    with pytest.raises(OutputError, match=r"an amplitude of 1e\+06 uV is too large for EDF"):
        write_edf(path, ("a",), np.array([[0.0, 1e9]] * 1), 100.0)


@pytest.mark.parametrize("values", [[[1.0, np.nan]], [1.0, 2.0], [[]]])
def test_values_that_are_no_traces_are_refused(path, values):
    with pytest.raises(DataError, match=r"^values of right-40\.edf: "):
        write_edf(path, ("a",), values, 100.0)


def test_a_file_that_cannot_be_written_is_one_plain_line(tmp_path):
    with pytest.raises(OutputError) as caught:
        write_edf(tmp_path / "absent" / "a.edf", ("a",), traces(1, 300), 12_000.0)
    assert str(caught.value) == "a.edf: cannot be written: No such file or directory"
