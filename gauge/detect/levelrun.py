"""Whether a short run of readings is level: at rest, or after a press.

The noise that a run is judged against is its own, from second differences, which no slope touches.
"""

from __future__ import annotations

import math
from statistics import median

_QUARTERS = (
    1.942  # mean of the lower 75 % of |z| to standard deviation: 0.75 / (2 phi(0) - 2 phi(1.1503))
)


def rough_noise(values: list[float], step_newton: float) -> float:
    """Noise from second differences, never below half a step.

    The mean of the lower three quarters: a median would jump by whole display steps. Of few, the
    root mean square counts where that is more.

    Examples
    --------
    >>> rough_noise([0.0, 0.01, 0.02, 0.03, 0.04], 0.01)
    0.005
    """
    second = [abs(values[i - 1] - 2 * values[i] + values[i + 1]) for i in range(1, len(values) - 1)]
    lower = sorted(second)[: math.ceil(0.75 * len(second))]
    noise = _QUARTERS * sum(lower) / len(lower)
    if len(second) < 8:
        noise = max(noise, (sum(d * d for d in second) / len(second)) ** 0.5)
    return float(max(noise / 6**0.5, 0.5 * step_newton))


def deviation(values: list[float]) -> float:
    """Root mean square deviation from the median.

    Examples
    --------
    >>> deviation([0.0, 1.0, 2.0, 1.0])
    0.7071067811865476
    """
    middle = median(values)
    return math.sqrt(sum((v - middle) ** 2 for v in values) / len(values))


def is_level(values: list[float], step_newton: float) -> bool:
    """Whether a short run of readings is level within its own noise.

    The halves are compared. Two medians may differ by one display step where the true level lies
    between two numbers. Fewer than four readings say nothing.

    Examples
    --------
    >>> is_level([0.01, 0.0, 0.01, 0.01, 0.0, 0.0], 0.01)
    True
    >>> is_level([0.0, 0.1, 0.2, 0.3, 0.4, 0.5], 0.01)
    False
    """
    n = len(values)
    if n < 4:
        return False
    half = n // 2
    noise = rough_noise(values, step_newton)
    change = abs(median(values[-half:]) - median(values[:half]))
    # Neighbouring readings may share noise, so many of them count as 200.
    return change <= 10 * noise / math.sqrt(min(n, 200)) + step_newton


def is_settled(values: list[float], step_newton: float) -> bool:
    """Whether a run is level and no reading stands off: a fall, or the top of a hump, is no rest.

    Examples
    --------
    >>> is_settled([0.01, 0.0, 0.01, 0.0], 0.01), is_settled([1.2, 0.0, 0.01, 0.0], 0.01)
    (True, False)
    """
    if not is_level(values, step_newton):
        return False
    half, middle = len(values) // 2, median(values)
    stillest = min(deviation(values[:half]), deviation(values[half:]))
    noise = max(min(stillest, rough_noise(values, step_newton)), 0.5 * step_newton)
    return max(abs(v - middle) for v in values) <= 8 * (1 + 4 / len(values)) * noise
