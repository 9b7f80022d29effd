"""A condition in words and in cells."""

import pytest

from waveworks.model import CONDITION_COLUMNS, Condition

FULL = Condition(
    "left",
    "bone",
    "tone-burst",
    frequency_hz=500.0,
    level_db_ehl=35.0,
    masking_db=60.0,
    channel="Fz-M1",
    polarity="alternating",
    highpass_hz=33.0,
    condition="second headset",
)


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        (
            FULL,
            "left, bone, tone-burst, 500 Hz, 35 dB eHL, masking 60 dB, Fz-M1, alternating, "
            "33-? Hz, second headset",
        ),
        (
            Condition("right", "insert", "click", level_db_nhl=40.0, masking_db="none"),
            "right, insert, click, 40 dB nHL, unmasked",
        ),
        (Condition("other", "other", "other"), "other, other, other"),
    ],
)
def test_a_condition_says_what_is_known(condition: Condition, words: str) -> None:
    assert str(condition) == words


def test_the_cells_are_the_condition_columns_in_order() -> None:
    cells = FULL.cells()
    assert tuple(cells) == CONDITION_COLUMNS
    assert (cells["ear"], cells["masking_db"], cells["lowpass_hz"]) == ("left", 60.0, None)
