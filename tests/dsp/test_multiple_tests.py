"""Holm's correction against statsmodels."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from waveworks.dsp.multiple_tests import holm
from waveworks.errors import DataError


@given(st.lists(st.floats(0, 1), min_size=1, max_size=9))
def test_as_statsmodels(pvalues):
    expected = multipletests(pvalues, method="holm")[1]
    assert holm(pvalues) == pytest.approx(expected, rel=1e-12, abs=1e-15)


def test_tests_that_were_not_made_do_not_count():
    found = holm([0.02, math.nan, 0.01])
    assert found[[0, 2]].tolist() == [0.02, 0.02]
    assert math.isnan(found[1])
    assert np.isnan(holm([math.nan])).all()


@pytest.mark.parametrize("p", [-0.1, 1.1])
def test_what_is_no_p_is_refused(p):
    with pytest.raises(DataError, match="between 0 and 1"):
        holm([0.5, p])
