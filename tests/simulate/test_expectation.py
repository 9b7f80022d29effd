"""What an invented ear answers, against the published rows and the rules that are stated."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waveworks.errors import DataError
from waveworks.settings import default_settings
from waveworks.simulate import expectation
from waveworks.simulate.expectation import NO_RESPONSE, expected_response

# Almeida, Rodrigues and Lewis 2011, Rev CEFAC 13(3): 23 infants, tone bursts, latency of wave V.
BURSTS = {
    (500, 70): 10.75,
    (1000, 70): 8.9,
    (2000, 70): 7.7,
    (4000, 70): 7.3,
    (500, 20): 15.2,
    (1000, 20): 13.4,
    (2000, 20): 10.2,
    (4000, 20): 9.4,
}
# Int Arch Otorhinolaryngol (authors not shown): 18 infants, narrow-band chirp adjusted to level;
# mean threshold in dB nHL and mean latency there, with its standard deviation.
CHIRPS = {
    500: (23.8, 8.86, 1.12),
    1000: (14.4, 9.21, 0.95),
    2000: (6.0, 9.44, 0.78),
    4000: (7.0, 9.64, 0.52),
}


def expected(stimulus, frequency_hz, level, *, threshold=-30.0, age=None):
    return expected_response(
        stimulus, frequency_hz, level, threshold_db_nhl=threshold, corrected_age_weeks=age
    )


@pytest.mark.parametrize(("frequency_hz", "level"), BURSTS)
def test_tone_bursts_have_the_published_latency(frequency_hz, level):
    found = expected("tone-burst", frequency_hz, level)
    assert found.v_ms == pytest.approx(BURSTS[frequency_hz, level], abs=1e-9)


@pytest.mark.parametrize("frequency_hz", [500, 1000, 2000, 4000])
def test_tone_bursts_are_interpolated_between_the_published_levels(frequency_hz):
    middle = expected("tone-burst", frequency_hz, 45).v_ms
    ends = [BURSTS[frequency_hz, 70], BURSTS[frequency_hz, 20]]
    assert middle == pytest.approx(sum(ends) / 2, abs=1e-9)


@pytest.mark.parametrize("frequency_hz", CHIRPS)
def test_chirps_have_the_published_latency_at_the_published_threshold(frequency_hz):
    level, latency_ms, _ = CHIRPS[frequency_hz]
    assert expected("narrowband-chirp", frequency_hz, level).v_ms == pytest.approx(latency_ms)


@pytest.mark.parametrize("frequency_hz", [500, 1000, 2000])
def test_tone_bursts_are_later_than_chirps(frequency_hz):
    """Rodrigues, Ramos and Lewis 2013: so at 0.5, 1 and 2 kHz (80 to 20 dB nHL)."""
    for level in (20, 40, 60, 80):
        burst = expected("tone-burst", frequency_hz, level).v_ms
        assert burst > expected("narrowband-chirp", frequency_hz, level).v_ms


def test_a_chirp_is_64_percent_larger_than_a_tone_burst():
    """Ferm, Lightfoot and Stevens 2013 (authors from memory)."""
    chirp = expected("narrowband-chirp", 4000, 40).v_sn10_nv
    assert chirp / expected("tone-burst", 4000, 40).v_sn10_nv == pytest.approx(1.64)


def test_amplitude_falls_by_a_third_for_ten_db_from_160_nv_at_60():
    found = [expected("narrowband-chirp", 1000, level).v_sn10_nv for level in (60, 50, 40, 30)]
    assert found == pytest.approx([160, 160 * 2 / 3, 160 * 4 / 9, 160 * 8 / 27])


def test_there_is_no_response_below_the_true_threshold():
    assert expected("click", None, 29.9, threshold=30) == NO_RESPONSE
    assert expected("click", None, 30, threshold=30).v_sn10_nv > 0
    assert expected("click", None, 140, threshold=math.inf) == NO_RESPONSE
    assert math.isnan(NO_RESPONSE.v_ms)


def test_amplitude_grows_with_age_until_18_months():
    """0.2 % a week from 6 weeks on: own choice, stated on the page of scenarios."""
    at = {age: expected("click", None, 60, age=age).v_sn10_nv for age in (0, 6, 56, 78, 200)}
    assert at[6] == expected("click", None, 60).v_sn10_nv == pytest.approx(160.0)
    assert at[0] == pytest.approx(160 * 0.988)
    assert at[56] == pytest.approx(160 * 1.1)
    assert at[78] == at[200]


def test_wave_v_comes_earlier_with_age_until_18_months():
    ages = [-10, 0, 6, 20, 50, 78]
    found = [expected("click", None, 60, age=age).v_ms for age in ages]
    assert all(old < young for young, old in pairwise(found))
    assert expected("click", None, 60, age=200).v_ms == found[-1]
    assert expected("click", None, 60).v_ms == found[ages.index(6)]


@given(
    stimulus=st.sampled_from(["tone-burst", "narrowband-chirp"]),
    frequency_hz=st.floats(500, 4000),
    level=st.floats(0, 90),
    step=st.floats(0.5, 20),
)
def test_latency_falls_and_amplitude_grows_with_level(stimulus, frequency_hz, level, step):
    low = expected(stimulus, frequency_hz, level)
    high = expected(stimulus, frequency_hz, level + step)
    assert high.v_ms < low.v_ms
    assert high.v_sn10_nv > low.v_sn10_nv


def test_between_two_frequencies_the_latency_lies_halfway_in_octaves():
    found = expected("tone-burst", 1000 * math.sqrt(2), 70).v_ms
    assert found == pytest.approx((8.9 + 7.7) / 2)


def test_every_value_says_what_it_rests_on():
    waves = default_settings().expectations
    assert {wave.stimulus for wave in waves} == set(expectation.AMPLITUDE_AT_60_DB_NV)
    for wave in waves:
        found = expected(wave.stimulus, wave.frequency_hz, 50)
        assert wave.source in found.source
        assert expectation.AMPLITUDE_AT_60_DB_NV[wave.stimulus][1] in found.source


@pytest.mark.parametrize(
    ("stimulus", "frequency_hz", "level", "age", "message"),
    [
        ("other", None, 40, None, "nothing is known about the latency of 'other', only of tone-b"),
        ("tone-burst", None, 40, None, "frequency_hz is missing; the latency of a tone-burst is"),
        ("tone-burst", 250, 40, None, "frequency_hz is 250 Hz; .* known from 500 to 4000 Hz"),
        ("narrowband-chirp", 8000, 40, None, "frequency_hz is 8000 Hz"),
        ("click", None, math.nan, None, "level_db_nhl is nan dB nHL; it must be a finite number"),
        ("click", None, 40, math.inf, "corrected_age_weeks is inf weeks; it must be a finite"),
    ],
)
def test_what_is_not_known_is_refused(stimulus, frequency_hz, level, age, message):
    with pytest.raises(DataError, match=message):
        expected(stimulus, frequency_hz, level, age=age)


def test_a_threshold_must_be_a_number():
    with pytest.raises(DataError, match="threshold_db_nhl is nan dB nHL; it must be a number"):
        expected("click", None, 40, threshold=math.nan)
