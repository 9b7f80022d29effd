"""One picture for each step: `plot_x(result, *, ax=None) -> Axes`."""

from waveworks.plots.buffers import plot_buffers
from waveworks.plots.combined import plot_combined, plot_recording
from waveworks.plots.correlation import plot_agreement, plot_cross_correlation
from waveworks.plots.density import plot_noise_density
from waveworks.plots.detection import CUSTOMARY_LIMITS, plot_looks, plot_null
from waveworks.plots.detection_rates import plot_calibration, plot_roc
from waveworks.plots.growth import plot_fmp, plot_residual_noise
from waveworks.plots.levels import MOST_POINTS, plot_amplitude_level, plot_latency_level
from waveworks.plots.replicates import MOST_LEVELS, plot_replicates
from waveworks.plots.settling import plot_mark_amplitude, plot_mark_latency, plot_settling
from waveworks.plots.style import EAR_COLOURS, NORMAL_95, NV_PER_MS, Limit, new_axes
from waveworks.plots.weights import plot_weights

__all__ = [
    "CUSTOMARY_LIMITS",
    "EAR_COLOURS",
    "MOST_LEVELS",
    "MOST_POINTS",
    "NORMAL_95",
    "NV_PER_MS",
    "Limit",
    "new_axes",
    "plot_agreement",
    "plot_amplitude_level",
    "plot_buffers",
    "plot_calibration",
    "plot_combined",
    "plot_cross_correlation",
    "plot_fmp",
    "plot_latency_level",
    "plot_looks",
    "plot_mark_amplitude",
    "plot_mark_latency",
    "plot_noise_density",
    "plot_null",
    "plot_recording",
    "plot_replicates",
    "plot_residual_noise",
    "plot_roc",
    "plot_settling",
    "plot_weights",
]
