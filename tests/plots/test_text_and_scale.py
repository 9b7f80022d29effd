"""Text that is safe to draw, and scales that are sane."""

import itertools
import math

import pytest

from waveworks.errors import DataError
from waveworks.plots.frame import linear_ticks, log_ticks
from waveworks.plots.style import new_axes, sane_scale
from waveworks.plots.text import amount, drawable, fitted, text_width_pt, wrapped


@pytest.mark.parametrize(
    ("text", "drawn"),
    [
        ("plain", "plain"),
        ("two\r\n lines\tand\x00 control\x1b", "two lines and control"),
        ("<b>$x$ & \\$5</b>", "<b>$x$ & \\$5</b>"),
        ("\u202eturned\u200b", "turned"),
        ("e\u0301t\u00e9", "\u00e9t\u00e9"),
        ("z\u0334\u0335\u0336", "z"),
        ("\u65e5\u672c", "\ufffd\ufffd"),
        ("lone \ud800", "lone \ufffd"),
        ("", ""),
        ("x" * 40, "x" * 40),
        ("x" * 41, "x" * 39 + "\u2026"),
        ("y" * 10_000_000, "y" * 39 + "\u2026"),
    ],
)
def test_text_from_a_file_becomes_one_short_line(text, drawn) -> None:
    assert drawable(text) == drawn


def test_wide_letters_get_less_room() -> None:
    assert fitted("i" * 40, 100) == "i" * 40
    shorter = fitted("W" * 40, 100)
    assert shorter.endswith("W\u2026")
    assert text_width_pt(shorter, 7) <= 100 < text_width_pt("W" + shorter, 7)


def test_lines_are_broken_to_fit() -> None:
    text = "Every sentence below a picture is broken between words so that it fits. WWWWW WWWWW"
    lines = wrapped(text, 120)
    assert " ".join(lines) == text
    assert max(text_width_pt(line, 7) for line in lines) <= 120


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.69, "0.69"),
        (71823.4, "71800"),
        (3.684e6, "3680000"),
        (15.55, "15.6"),
    ],
)
def test_amounts_have_three_digits_and_no_exponent(value, words) -> None:
    assert amount(value) == words
    assert amount(-value) == f"\u2212{words}"


SPANS_MS = [(0.0, 0.0), (0.0, 0.1), (-10.0, 25.0), (0.0, 12.0), (0.0, 100.0), (-100.0, 800.0)]
SPANS_NV = [(0.0, 0.0), (-1e-9, 1e-9), (-150.0, 200.0), (-2000.0, 300.0), (-1e5, 1e5), (-1e9, 1e9)]


@pytest.mark.parametrize("nv_per_ms", [25.0, 50.0, 100.0])
@pytest.mark.parametrize(("span_ms", "span_nv"), [*itertools.product(SPANS_MS, SPANS_NV)])
def test_scales_show_everything_within_bounds(span_ms, span_nv, nv_per_ms) -> None:
    scale = sane_scale(span_ms, span_nv, nv_per_ms)
    assert scale.start_ms <= span_ms[0] <= span_ms[1] <= scale.stop_ms
    assert scale.low_nv <= span_nv[0] <= span_nv[1] <= scale.high_nv
    assert scale.high_nv - scale.low_nv >= 300 * (1 - 1e-12)
    assert 2 - 1e-9 <= scale.width_in <= 5 + 1e-9
    assert 0.9 - 1e-9 <= scale.height_in <= 7.2 + 1e-9
    nv_per_in = (scale.high_nv - scale.low_nv) / scale.height_in
    ms_per_in = (scale.stop_ms - scale.start_ms) / scale.width_in
    assert nv_per_in / ms_per_in == pytest.approx(scale.nv_per_ms, rel=1e-9)
    assert (scale.nv_per_ms == nv_per_ms) is (scale.note == "")


def test_usual_data_keep_the_scale_that_was_asked_for() -> None:
    for span_ms in ((0, 12), (0, 25), (-10, 25), (-5, 50)):
        for span_nv in ((-20, 20), (-300, 300), (-1500, 300)):
            assert sane_scale(span_ms, span_nv, 50).nv_per_ms == 50


def test_a_figure_is_never_larger_than_a_page() -> None:
    width, height = new_axes(50, 50).figure.get_size_inches()
    assert (width, height) == (6.9, 9.0)


@pytest.mark.parametrize("span", [(0, 1), (-3.2, 7.7), (0, 5280), (1e-4, 2e-4), (-4e5, 3e5)])
def test_linear_ticks_are_few_and_inside(span) -> None:
    ticks = linear_ticks(*span)
    assert 2 <= len(ticks) <= 8
    assert span[0] <= ticks[0] < ticks[-1] <= span[1]


@pytest.mark.parametrize("span", [(80, 7500), (18, 33), (4.0, 6.3), (1e-4, 3), (0.5, 1e7)])
def test_logarithmic_ticks_are_few_and_inside(span) -> None:
    ticks = log_ticks(*span)
    assert 2 <= len(ticks) <= 7
    assert span[0] <= ticks[0] < ticks[-1] <= span[1]
    assert ticks == sorted(ticks)


def test_scales_refuse_what_is_not_sane() -> None:
    with pytest.raises(DataError, match="nv_per_ms is nan"):
        sane_scale((0, 25), (-100, 100), math.nan)


def test_many_decades_have_ticks_at_powers_of_ten_only() -> None:
    assert all(f"{tick:e}".startswith("1.000000e") for tick in log_ticks(0.5, 1e7))
