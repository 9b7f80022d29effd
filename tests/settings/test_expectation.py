"""Expected waves: the published rows, the lines between levels, the choice of a row, bad input."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from waveworks.errors import SettingsError
from waveworks.model.condition import TRANSDUCERS
from waveworks.settings import ExpectedWave, default_settings, read_settings
from waveworks.simulate.response import response

FREQUENCIES = (500.0, 1000.0, 2000.0, 4000.0)

# Almeida, Rodrigues and Lewis 2011, Rev CEFAC 13(3): 23 infants, tone bursts, mean latency of wave
# V in ms by level in dB nHL; and the slopes in ms per dB computed from it by hand.
BURSTS = {
    500.0: ({70.0: 10.75, 20.0: 15.2}, -0.089),
    1000.0: ({70.0: 8.9, 20.0: 13.4}, -0.090),
    2000.0: ({70.0: 7.7, 20.0: 10.2}, -0.050),
    4000.0: ({70.0: 7.3, 20.0: 9.4}, -0.042),
}

# Int Arch Otorhinolaryngol (authors not shown): 18 infants, narrow-band chirp adjusted to level;
# mean threshold in dB nHL, latency there and its SD in ms, amplitude and its SD as printed (the
# abstract says nV, only microvolts are plausible); mean -+ 2 SD of the latency by hand.
CHIRPS = {
    500.0: (23.8, 8.86, 1.12, 0.123, 0.035, (6.62, 11.10)),
    1000.0: (14.4, 9.21, 0.95, 0.127, 0.039, (7.31, 11.11)),
    2000.0: (6.0, 9.44, 0.78, 0.141, 0.052, (7.88, 11.00)),
    4000.0: (7.0, 9.64, 0.52, 0.105, 0.028, (8.60, 10.68)),
}

# Hand-worked: 0.2 ms per 10 dB between the lower two levels, 0.1 between the upper two.
BENT = ExpectedWave(
    stimulus="click",
    level_db_nhl=(20.0, 40.0, 60.0),
    v_ms=(8.0, 7.6, 7.4),
    v_sd_ms=(0.5, 0.3, 2.0),
    v_sn10_nv=(100.0, 140.0, 200.0),
    v_sn10_sd_nv=(30.0, 40.0, 60.0),
    source="made up",
)

WINDOWS = """
[[stimulus]]
stimulus = "click"
response_window_ms = [5, 15]
noise_window_ms = [1.5, inf]
"""

ROW = {
    "stimulus": '"click"',
    "level_db_nhl": "[20, 40]",
    "v_ms": "[8, 7]",
    "source": '"protocol"',
}


def row(**changes: str | None) -> str:
    """Return one [[expectation]] with keys changed, added or (None) left out."""
    keys = {key: value for key, value in {**ROW, **changes}.items() if value is not None}
    return "\n[[expectation]]\n" + "\n".join(f"{key} = {value}" for key, value in keys.items())


def single(**changes: str | None) -> str:
    """Return a row of one level."""
    one = {"level_db_nhl": "[20]", "v_ms": "[8]", "slope_ms_per_db": "-0.03"}
    return row(**{**one, **changes})


@pytest.fixture
def read(tmp_path: Path):
    def read(*rows: str):
        path = tmp_path / "s.toml"
        path.write_text(WINDOWS + "".join(rows), encoding="utf-8")
        return read_settings(path, name="s.toml")

    return read


def shipped(stimulus: str, frequency_hz: float | None) -> ExpectedWave:
    wave = default_settings().expectation_for(stimulus, frequency_hz, "insert", None)
    assert wave is not None
    return wave


# The shipped rows


@pytest.mark.parametrize("frequency_hz", FREQUENCIES)
def test_tone_bursts_have_exactly_the_published_latencies(frequency_hz: float) -> None:
    wave = shipped("tone-burst", frequency_hz)
    published, slope = BURSTS[frequency_hz]
    assert {level: wave.v_at(level) for level in published} == published
    for level in (0.0, 30.0, 65.0, 90.0):
        line = published[70.0] + slope * (level - 70.0)
        assert wave.v_at(level) == pytest.approx(line, abs=1e-9)
    least, most = wave.step_ms_per_10_db
    assert least < -10 * slope < most
    assert wave.v_sd_ms is wave.v_sn10_nv is None


@pytest.mark.parametrize("frequency_hz", FREQUENCIES)
def test_chirps_have_exactly_the_published_values_at_threshold(frequency_hz: float) -> None:
    wave = shipped("narrowband-chirp", frequency_hz)
    level, v_ms, sd_ms, printed, printed_sd, window_ms = CHIRPS[frequency_hz]
    assert wave.v_at(level) == v_ms
    assert wave.v_sd_at(level) == sd_ms
    assert wave.amplitude_at(level) == pytest.approx(1000 * printed, rel=1e-12)
    assert wave.amplitude_sd_at(level) == pytest.approx(1000 * printed_sd, rel=1e-12)
    assert replace(wave, spread_ms=0.1).window(level) == pytest.approx(window_ms, abs=1e-9)
    assert wave.v_at(level + 10) == pytest.approx(v_ms - 0.35)  # own choice


@pytest.mark.parametrize("stimulus", ["click", "broadband-chirp"])
@pytest.mark.parametrize("frequency_hz", [None, 3000.0])
def test_clicks_and_broadband_chirps_serve_every_frequency(stimulus, frequency_hz) -> None:
    """Term newborns: about 7 ms near 65 dB nHL, 0.3 to 0.4 ms for 10 dB (from memory)."""
    wave = shipped(stimulus, frequency_hz)
    assert wave.v_at(65.0) == 7.0
    assert 0.3 < wave.v_at(55.0) - wave.v_at(65.0) < 0.4


def test_no_order_of_frequencies_is_assumed() -> None:
    """Of the published rows, tone bursts fall with frequency and chirps at threshold rise."""
    bursts = [shipped("tone-burst", f).v_at(20.0) for f in FREQUENCIES]
    chirps = [shipped("narrowband-chirp", f).v_ms[0] for f in FREQUENCIES]
    assert bursts == sorted(bursts, reverse=True)
    assert chirps == sorted(chirps)
    # At one level, with their own slope, the chirps go neither way.
    steps = np.diff([shipped("narrowband-chirp", f).v_at(20.0) for f in FREQUENCIES])
    assert steps.min() < 0 < steps.max()


@pytest.mark.parametrize("stimulus", ["tone-burst", "narrowband-chirp"])
def test_a_frequency_without_a_row_and_other_stimuli_have_no_expectation(stimulus: str) -> None:
    for frequency_hz in (None, 3000.0, 4000.5):
        assert default_settings().expectation_for(stimulus, frequency_hz, "bone", 6.0) is None
    assert default_settings().expectation_for("other", None, "insert", 6.0) is None


def test_every_shipped_row_says_what_is_published_and_what_is_not() -> None:
    for wave in default_settings().expectations:
        assert "own choice" in wave.source
        published = wave.stimulus in ("tone-burst", "narrowband-chirp")
        assert published == ("infants" in wave.source or "2011" in wave.source)
        if wave.stimulus == "click":
            assert "from memory" in wave.source


def test_the_shipped_shape_is_the_response_of_the_simulations() -> None:
    """R(L, a) of the validation scenarios; the trough's height, 1.1, is no setting."""
    times_ms = np.linspace(0.0, 25.0, 1001)
    for wave in default_settings().expectations:
        v = np.exp(-((times_ms - 8.0) ** 2) / (2 * wave.v_width_ms**2))
        sn10_ms = 8.0 + wave.sn10_lag_ms
        sn10 = np.exp(-((times_ms - sn10_ms) ** 2) / (2 * wave.sn10_width_ms**2))
        drawn = v - 1.1 * sn10
        expected = response(times_ms, 8.0, 100.0)
        assert np.corrcoef(drawn, expected)[0, 1] == pytest.approx(1.0, abs=1e-12)


# Between and beyond the levels


@pytest.mark.parametrize(
    ("level", "v_ms"),
    [(20, 8.0), (40, 7.6), (60, 7.4), (30, 7.8), (50, 7.5), (0, 8.4), (80, 7.2)],
)
def test_latency_follows_the_lines_and_goes_on_beyond_the_ends(level, v_ms) -> None:
    assert BENT.v_at(level) == pytest.approx(v_ms, abs=1e-12)


def test_a_stated_latency_comes_out_to_the_last_bit() -> None:
    """Computed from the other end, 11.6 would come out a rounding step away."""
    wave = replace(BENT, level_db_nhl=(20.0, 70.0), v_ms=(11.6, 5.0), v_sd_ms=None)
    assert 5.0 + (5.0 - 11.6) / 50.0 * (20.0 - 70.0) != 11.6
    assert wave.v_at(20.0) == 11.6


@given(
    levels=st.lists(st.integers(-10, 100), min_size=2, max_size=6, unique=True).map(sorted),
    drops=st.lists(st.floats(0.0, 1.0), min_size=6, max_size=6),
    level=st.floats(-40.0, 140.0),
)
def test_latency_agrees_with_scipy_and_never_rises(levels, drops, level) -> None:
    latencies = 20.0 - np.cumsum(drops[: len(levels)])
    wave = replace(
        BENT, level_db_nhl=tuple(map(float, levels)), v_ms=tuple(latencies), v_sd_ms=None
    )
    line = interp1d(levels, latencies, fill_value="extrapolate")
    assert wave.v_at(level) == pytest.approx(float(line(level)), abs=1e-9)
    assert wave.v_at(level + 5.0) <= wave.v_at(level) + 1e-9
    for at, v_ms in zip(levels, latencies, strict=True):
        assert wave.v_at(at) == v_ms


def test_scatter_beyond_the_levels_is_that_of_the_nearest_and_amplitude_is_not_known() -> None:
    assert [BENT.v_sd_at(level) for level in (0, 20, 30, 60, 90)] == pytest.approx(
        [0.5, 0.5, 0.4, 2.0, 2.0]
    )
    assert [BENT.amplitude_at(level) for level in (20, 30, 60)] == [100.0, 120.0, 200.0]
    assert [BENT.amplitude_sd_at(level) for level in (20, 30, 60)] == [30.0, 35.0, 60.0]
    for level in (19.9, 60.1):
        assert math.isnan(BENT.amplitude_at(level))
        assert math.isnan(BENT.amplitude_sd_at(level))
    bare = replace(BENT, v_sd_ms=None, v_sn10_nv=None, v_sn10_sd_nv=None)
    for unknown in (bare.v_sd_at(30), bare.amplitude_at(30), bare.amplitude_sd_at(30)):
        assert math.isnan(unknown)


def test_the_window_is_two_sd_either_way_and_at_least_the_spread() -> None:
    assert BENT.window(60.0) == pytest.approx((7.4 - 4.0, 7.4 + 4.0))
    assert BENT.window(40.0) == pytest.approx((7.6 - 2.5, 7.6 + 2.5))
    assert replace(BENT, v_sd_ms=None).window(60.0) == pytest.approx((7.4 - 2.5, 7.4 + 2.5))


# The choice of a row


def sources_for(settings, *cases):
    found = (settings.expectation_for("click", *case) for case in cases)
    return [None if wave is None else wave.source for wave in found]


def test_the_most_specific_row_serves(read) -> None:
    settings = read(
        row(source="'any'"),
        row(source="'4 kHz'", frequency_hz="4000"),
        row(source="'young'", age_weeks="[0, 12]"),
        row(source="'young 4 kHz'", age_weeks="[0, 12]", frequency_hz="4000"),
        row(source="'bone'", transducer="'bone'"),
    )
    cases = {
        (None, "insert", None): "any",
        (2000.0, "insert", None): "any",
        (4000.0, "insert", None): "4 kHz",
        (2000.0, "insert", 3.0): "young",
        (4000.0, "insert", 3.0): "young 4 kHz",
        (4000.0, "insert", 30.0): "4 kHz",
        (4000.0, "bone", 3.0): "bone",
    }
    assert sources_for(settings, *cases) == [*cases.values()]
    assert settings.expectation_for("tone-burst", 4000.0, "insert", 3.0) is None


def test_a_row_of_certain_ages_holds_its_first_and_not_its_last(read) -> None:
    settings = read(
        row(source="'first'", age_weeks="[0, 12]"), row(source="'second'", age_weeks="[12, inf]")
    )
    ages = (None, -0.1, 0.0, 11.9, 12.0, 500.0)
    found = sources_for(settings, *((None, "insert", age) for age in ages))
    assert found == [None, None, "first", "first", "second", "second"]


@pytest.mark.parametrize(
    ("changes", "served"),
    [
        ({}, "click, any frequency, any transducer, any age"),
        ({"frequency_hz": "500"}, "click, 500 Hz, any transducer, any age"),
        ({"transducer": "'bone'"}, "click, any frequency, bone, any age"),
        ({"age_weeks": "[3, 9]"}, "click, any frequency, any transducer, 3 to 9 weeks"),
    ],
)
def test_two_rows_for_one_case_are_refused(read, changes, served) -> None:
    other = {**changes, **({"age_weeks": "[8, 20]"} if "age_weeks" in changes else {})}
    with pytest.raises(SettingsError) as caught:
        read(row(stimulus="'tone-burst'"), row(**other), row(**changes))
    assert str(caught.value) == (
        "s.toml: expectation 3: serves recordings that expectation 2 serves as closely "
        f"({served}); give them different frequencies, transducers or ages"
    )


@given(
    cases=st.lists(
        st.tuples(
            st.sampled_from([None, 500, 4000]),
            st.sampled_from([None, "insert", "bone"]),
            st.sampled_from([None, (0, 8), (4, 12), (8, 20)]),
        ),
        min_size=2,
        max_size=4,
    ),
)
def test_rows_are_refused_exactly_where_a_recording_has_two(cases, tmp_path_factory) -> None:
    """By brute force: ask for every frequency, transducer and age whether two rows tie."""

    def fits(case, frequency_hz, transducer, age):
        return (
            case[0] in (None, frequency_hz)
            and case[1] in (None, transducer)
            and (case[2] is None or (age is not None and case[2][0] <= age < case[2][1]))
        )

    def tie(frequency_hz, transducer, age):
        named = [
            tuple(part is not None for part in case)
            for case in cases
            if fits(case, frequency_hz, transducer, age)
        ]
        return len(named) != len(set(named))

    tied = any(
        tie(frequency_hz, transducer, age)
        for frequency_hz in (None, 500, 4000)
        for transducer in TRANSDUCERS
        for age in (None, *range(-1, 21))
    )
    rows = [
        row(
            frequency_hz=None if frequency_hz is None else str(frequency_hz),
            transducer=None if transducer is None else f"'{transducer}'",
            age_weeks=None if ages is None else str(list(ages)),
        )
        for frequency_hz, transducer, ages in cases
    ]
    path = tmp_path_factory.mktemp("rows") / "s.toml"
    path.write_text(WINDOWS + "".join(rows), encoding="utf-8")
    if tied:
        with pytest.raises(SettingsError, match="as closely"):
            read_settings(path)
    else:
        assert len(read_settings(path).expectations) == len(cases)


# Reading


def test_every_key_is_read_and_the_rest_has_its_default(read) -> None:
    full = single(
        frequency_hz="500",
        transducer="'bone'",
        age_weeks="[-4, 20.5]",
        v_sd_ms="[0.5]",
        slope_ms_per_db="0",
        v_sn10_nv="[120]",
        v_sn10_sd_nv="[30]",
        step_ms_per_10_db="[0, 2]",
        v_width_ms="0.7",
        sn10_width_ms="1.6",
        sn10_lag_ms="3.3",
        spread_ms="3",
    )
    found, plain = read(full, row()).expectations
    assert found == ExpectedWave(
        stimulus="click",
        frequency_hz=500.0,
        transducer="bone",
        age_weeks=(-4.0, 20.5),
        level_db_nhl=(20.0,),
        v_ms=(8.0,),
        v_sd_ms=(0.5,),
        slope_ms_per_db=0.0,
        v_sn10_nv=(120.0,),
        v_sn10_sd_nv=(30.0,),
        step_ms_per_10_db=(0.0, 2.0),
        v_width_ms=0.7,
        sn10_width_ms=1.6,
        sn10_lag_ms=3.3,
        spread_ms=3.0,
        source="protocol",
    )
    assert (plain.frequency_hz, plain.transducer, plain.age_weeks) == (None, None, None)
    assert (plain.v_sd_ms, plain.v_sn10_nv, plain.v_sn10_sd_nv) == (None, None, None)
    assert math.isnan(plain.slope_ms_per_db)
    assert plain.step_ms_per_10_db == (0.1, 1.0)
    shape = (plain.v_width_ms, plain.sn10_width_ms, plain.sn10_lag_ms, plain.spread_ms)
    assert shape == (0.6, 1.5, 3.2, 2.5)


def test_a_file_without_rows_expects_nothing(read) -> None:
    assert read().expectations == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (row(v_window="3"), "unknown key 'expectation 1.v_window'; known: stimulus, frequency_hz,"),
        (row(stimulus=None), "'expectation 1.stimulus' is missing"),
        (row(level_db_nhl=None), "'expectation 1.level_db_nhl' is missing"),
        (row(v_ms=None), "'expectation 1.v_ms' is missing"),
        (row() + row(source=None), "'expectation 2.source' is missing"),
        (row(source="' '"), "'expectation 1.source' is empty; it says what the values rest on"),
        (row(source="3"), "'expectation 1.source' is 3; it must be text in quotes"),
        (row(stimulus="'tone'"), "'expectation 1.stimulus' is 'tone'; it must be one of click, "),
        (row(transducer="'ear'"), "'expectation 1.transducer' is 'ear'; it must be one of insert,"),
        (row(transducer="''"), "'expectation 1.transducer' is ''; it must be one of insert,"),
        (row(frequency_hz="0"), "'expectation 1.frequency_hz' is 0 Hz; it must be above 0"),
        (row(age_weeks="[9, 3]"), "'expectation 1.age_weeks' is [9, 3]; it must be two rising"),
        (row(age_weeks="3"), "'expectation 1.age_weeks' is 3; it must be two rising numbers"),
        (
            row(level_db_nhl="20"),
            "'expectation 1.level_db_nhl' is 20; it must be a list of finite numbers, in dB nHL",
        ),
        (row(level_db_nhl="[]"), "'expectation 1.level_db_nhl' is []; it must be a list of finite"),
        (row(level_db_nhl="[20, inf]"), "'expectation 1.level_db_nhl' is [20, inf]; it must be a"),
        (row(level_db_nhl="[20, true]"), "'expectation 1.level_db_nhl' is [20, True]; it must be"),
        (
            row(level_db_nhl="[40, 20]"),
            "'expectation 1.level_db_nhl' is [40.0, 20.0]; each level must be above the one before",
        ),
        (row(level_db_nhl="[20, 20]"), "each level must be above the one before"),
        (
            row(v_ms="[8, 7, 6]"),
            "'expectation 1.v_ms' has length 3 and level_db_nhl has length 2; there must be one",
        ),
        (
            row(v_ms="[8, 0]"),
            "'expectation 1.v_ms' is [8, 0]; it must be a list of finite numbers above 0, in ms",
        ),
        (row(v_ms="[8, nan]"), "'expectation 1.v_ms' is [8, nan]; it must be a list of finite"),
        (row(v_ms="[7, 8]"), "'expectation 1.v_ms' is [7.0, 8.0]; wave V must not come later at"),
        (row(v_sd_ms="[1]"), "'expectation 1.v_sd_ms' has length 1 and level_db_nhl"),
        (row(v_sd_ms="[1, -1]"), "'expectation 1.v_sd_ms' is [1, -1]; it must be a list of finite"),
        (row(v_sn10_nv="[90]"), "'expectation 1.v_sn10_nv' has length 1 and level_db_nhl"),
        (row(v_sn10_nv="[0, 9]"), "'expectation 1.v_sn10_nv' is [0, 9]; it must be a list of fin"),
        (row(v_sn10_sd_nv="[9, 9]"), "'expectation 1.v_sn10_sd_nv' is given without v_sn10_nv"),
        (
            row(v_sn10_nv="[9, 9]", v_sn10_sd_nv="[9]"),
            "'expectation 1.v_sn10_sd_nv' has length 1 and level_db_nhl",
        ),
        (single(slope_ms_per_db=None), "'expectation 1.slope_ms_per_db' is missing; a single"),
        (
            single(slope_ms_per_db="0.03"),
            "'expectation 1.slope_ms_per_db' is 0.03 ms per dB; it must be negative or 0, since",
        ),
        (
            row(slope_ms_per_db="-0.03"),
            "'expectation 1.slope_ms_per_db' is -0.03; with 2 levels the slope is that between",
        ),
        (single(slope_ms_per_db="-inf"), "'expectation 1.slope_ms_per_db' is -inf; it must be a f"),
        (
            row(step_ms_per_10_db="[-0.1, 1]"),
            "'expectation 1.step_ms_per_10_db' is [-0.1, 1]; it must be two rising finite numbers",
        ),
        (row(step_ms_per_10_db="[0, inf]"), "two rising finite numbers, none below 0, in ms"),
        (row(step_ms_per_10_db="[1, 1]"), "'expectation 1.step_ms_per_10_db' is [1, 1]; it must"),
        (row(v_width_ms="0"), "'expectation 1.v_width_ms' is 0 ms; it must be above 0"),
        (row(sn10_width_ms="-1"), "'expectation 1.sn10_width_ms' is -1 ms; it must be above 0"),
        (row(sn10_lag_ms="inf"), "'expectation 1.sn10_lag_ms' is inf; it must be a finite number"),
        (row(spread_ms="[1]"), "'expectation 1.spread_ms' is [1]; it must be a finite number"),
        ("\n[expectation]\nv_ms = 3", "'expectation' must be tables, each headed [[expectation]]"),
    ],
)
def test_a_fault_names_file_row_and_key(read, text: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read(text)
    assert str(caught.value).startswith("s.toml: ")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)
