"""Detection tests on plain arrays, in one place."""

from waveworks.dsp.group_sequential import sequential_limits
from waveworks.dsp.hotelling import HotellingT2, hotelling_t2
from waveworks.dsp.shape_detection import ShapeTest, shape_test

__all__ = ["HotellingT2", "ShapeTest", "hotelling_t2", "sequential_limits", "shape_test"]
