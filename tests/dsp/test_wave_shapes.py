"""The bank of shapes against its own definition on a fine grid."""

import numpy as np
import pytest

from waveworks.dsp.wave_shapes import FACTORS, WaveShape, shape_bank
from waveworks.errors import DataError
from waveworks.simulate.response import response, true_v_ms

FINE_MS = np.arange(0, 30, 0.002)
ANY_MS = (0.0, 100.0)


def test_each_shape_is_one_high_with_its_peaks_where_it_says():
    bank = shape_bank(WaveShape(), ANY_MS)
    drawn = bank.templates(FINE_MS, [9.0, 10.03])
    assert drawn.shape == (9, 2, len(FINE_MS))
    for shape, after_ms in zip(drawn, bank.sn10_after_ms, strict=True):
        for row, v_ms in zip(shape, (9.0, 10.03), strict=True):
            assert np.ptp(row) == pytest.approx(1.0, abs=1e-4)
            assert FINE_MS[row.argmax()] == pytest.approx(v_ms, abs=0.004)
            assert FINE_MS[row.argmin()] == pytest.approx(v_ms + after_ms, abs=0.004)


def test_the_middle_is_the_response_of_the_validation_scenarios():
    """R(L, a), drawn by the simulator, which knows nothing of the bank."""
    middle = shape_bank(WaveShape(), ANY_MS).templates(FINE_MS, [true_v_ms(9.0)])[4, 0]
    np.testing.assert_allclose(middle, response(FINE_MS, 9.0, 1.0), atol=2e-3)


def test_widths_and_lags_are_varied_by_the_factors():
    bank = shape_bank(WaveShape(0.5, 1.0, 3.0), ANY_MS)
    assert sorted(set(bank.widths_ms / 0.5)) == pytest.approx(FACTORS)
    assert sorted(set(bank.lags_ms / 3.0)) == pytest.approx(FACTORS)
    np.testing.assert_allclose(bank.sn10_widths_ms, 2 * bank.widths_ms)


def test_a_slower_shape_is_the_same_on_a_slower_clock():
    slow = shape_bank(WaveShape(6.0, 15.0, 32.0), (0.0, 1000.0)).templates(10 * FINE_MS, [90.0])
    fast = shape_bank(WaveShape(), ANY_MS).templates(FINE_MS, [9.0])
    np.testing.assert_allclose(slow, fast, atol=1e-9)


def test_shapes_whose_sn10_cannot_be_are_left_out():
    bank = shape_bank(WaveShape(), (3.0, 6.0))
    assert len(bank.heights) == 6
    assert bank.sn10_after_ms.min() >= 3.0
    with pytest.raises(DataError, match=r"sn10_after_ms is \(9, 10\).*2\.4.* to 4\.2"):
        shape_bank(WaveShape(), (9, 10))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"v_width_ms": 0.0}, "v_width_ms is 0 ms"),
        ({"sn10_width_ms": float("nan")}, "sn10_width_ms is nan ms"),
        ({"sn10_lag_ms": -1.0}, "sn10_lag_ms is -1 ms"),
        ({"sn10_lag_ms": 0.5}, "SN10 must follow wave V"),
    ],
)
def test_an_impossible_shape_is_told(change, words):
    with pytest.raises(DataError, match=words):
        WaveShape(**change)


def test_between_the_lags_a_parabola_is_exact():
    """Any quadratic of the lag comes out as it is, for every width."""
    bank = shape_bank(WaveShape(), ANY_MS)
    values = bank.widths_ms * (1 + 2 * bank.lags_ms - 0.3 * bank.lags_ms**2)
    found = bank.between_lags(values, -1).reshape(3, -1)
    fine = np.linspace(bank.lags_ms[0], bank.lags_ms[2], 9)
    expected = 0.6 * np.array(FACTORS)[:, np.newaxis] * (1 + 2 * fine - 0.3 * fine**2)
    np.testing.assert_allclose(found, expected)
    several = bank.between_lags(np.stack([values, 2 * values], axis=-1), -2)
    np.testing.assert_allclose(several[:, 1], 2 * expected.ravel())


def test_one_lag_is_left_as_it_is():
    bank = shape_bank(WaveShape(), (3.0, 3.5))
    assert bank.n_lags == 1
    np.testing.assert_array_equal(bank.between_lags(bank.heights, -1), bank.heights)
